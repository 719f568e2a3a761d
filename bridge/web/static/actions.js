// Actions by hand: each sends one command to the bridge, whose guard decides, and shows what became of it.
import { ago, clock, element, made, moment, write, writeDates } from "./dom.js";

const KEPT = "page-token";
const SHELVE_MINUTES = 60;
const AGAIN_MS = 3000;
// The bridge answers within 6 seconds.
const ANSWER_MS = 10_000;
// After this time the result is no longer asked for.
const GIVE_UP_MS = 60_000;

let current = () => undefined;
let mayAct = false;
let token = kept();
// The acts that wait for the bridge, by reservoir and property.
const pending = new Set();
// Counts the sentences shown, so that a late answer can tell whether something newer has been said.
let saidCount = 0;
const whenToken = [];

// A browser that is set to store nothing throws an exception here.
function kept() {
  try {
    return sessionStorage.getItem(KEPT) ?? "";
  } catch {
    return "";
  }
}

function keep(text) {
  try {
    sessionStorage.removeItem(KEPT);
    if (text !== "") {
      sessionStorage.setItem(KEPT, text);
    }
  } catch {
    // Then the token is lost when the page is loaded again.
  }
}

export function allow(canAct) {
  mayAct = canAct;
  element("no-token").hidden = canAct;
  element("token-form").hidden = !canAct;
  element("acts").hidden = !canAct;
  element("token-drop").hidden = token === "";
  showBusy();
}

// A button whose act waits for the bridge cannot be pressed again, so that a double click is one act.
export function showBusy() {
  const id = current()?.id;
  for (const button of document.querySelectorAll("[data-sends]")) {
    const isBusy = pending.has(`${id} ${button.dataset.sends}`);
    button.disabled = !mayAct || isBusy;
    button.setAttribute("aria-busy", String(isBusy));
  }
}

// state: "done", "refused" or "waiting".
function say(sentence, state) {
  const said = element("said");
  saidCount += 1;
  said.classList.toggle("refused", state === "refused");
  said.classList.toggle("waiting", state === "waiting");
  write(said, sentence);
  element("said-close").hidden = sentence === "";
}

// A key that no other act has. It needs no secure context, which a page on a home network lacks.
export function newKey() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((one) => one.toString(16).padStart(2, "0")).join("");
}

export function hasToken() {
  return token !== "";
}

// Calls a function when a right token is entered.
export function onToken(call) {
  whenToken.push(call);
}

export function post(path, body) {
  return fetch(path, {
    method: "POST",
    headers: { "content-type": "application/json", authorization: `Bearer ${token}` },
    body: JSON.stringify(body),
    // A connection that hangs must not hold the next attempt.
    signal: AbortSignal.timeout(ANSWER_MS),
  });
}

// what: the act in words; unit: the unit of a figure, undefined for other values.
// Returns whether the bridge carried it out; undefined if nobody knows.
async function act(what, property, value, unit) {
  const reservoir = current();
  if (reservoir === undefined) {
    return false;
  }
  if (token === "") {
    say("Enter the token first; without it the page takes no commands.", "refused");
    element("hand-depth").open = true;
    element("token").focus();
    return false;
  }
  const name = `${reservoir.id} ${property}`;
  if (pending.has(name)) {
    return false;
  }
  pending.add(name);
  showBusy();
  try {
    return await sent(reservoir, what, { property, value, unit, key: newKey() });
  } finally {
    pending.delete(name);
    showBusy();
  }
}

async function sent(reservoir, what, command) {
  const path = `/api/reservoirs/${encodeURIComponent(reservoir.id)}/command`;
  const began = new Date();
  const title = `${reservoir.name}, ${what}`;
  // Replaces the result of the act before, which would look like the result of this one.
  say(`${title}: sent at ${clock(began)}, waiting for the bridge.`, "waiting");
  while (Date.now() - began < GIVE_UP_MS) {
    try {
      const answer = await post(path, command);
      const { sentence, at } = await answer.json();
      if (answer.ok) {
        say(`${title}: ${sentence} The bridge answered at ${at}.`, "done");
        return true;
      }
      if (answer.status !== 504) {
        say(`Refused: ${sentence}${at === undefined ? "" : ` The bridge answered at ${at}.`}`, "refused");
        return false;
      }
    } catch {
      // The connection broke; nobody knows yet whether the act arrived. The same key asks for its result.
    }
    say(`${title}: no answer since ${clock(began)}. This page asks for the result; it sends no second act.`, "waiting");
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
  say(`${title}: no answer for a minute. Look under the events whether the bridge carried it out.`, "refused");
  return undefined;
}

function actButton(words, name, property, onClick) {
  const button = made("button", words);
  button.type = "button";
  button.dataset.act = name;
  button.dataset.sends = property;
  button.addEventListener("click", onClick);
  return button;
}

// The button of a step. Measurements are entered further down, so their step leads there.
function stepButton(step, card) {
  switch (step.act) {
    case "reset": {
      const button = actButton("Reset", `reset/${card.id}`, "health/reset", () => reset(card));
      button.setAttribute("aria-label", `Reset: ${card.id}`);
      return button;
    }
    case "cartridge":
      return actButton("A new cartridge is in place", `cartridge/${card.id}`, "purifier/cartridge-changed", cartridge);
    case "retest":
    case "sample": {
      const button = made("button", step.act === "sample" ? "Go to the sample" : "Go to the retest");
      button.type = "button";
      button.addEventListener("click", () => {
        element("hand-depth").open = true;
        element(step.act).focus();
      });
      return button;
    }
    default:
      return null;
  }
}

export function alarmCard(card, reservoir) {
  const alarm = reservoir.alarms.find((one) => one.id === card.id);
  const item = made("li", undefined, `card ${card.is_trip ? "trip" : ""} ${alarm.shelved ? "shelved" : ""}`);
  item.append(made("h3", card.heading));
  const when = made("p", undefined, "when small");
  const kind = card.is_trip ? "Trip" : "Alarm";
  when.append(`${kind}${card.is_first ? ", the first one" : ""}`);
  if (card.raised !== null) {
    const age = made("span", ago(card.raised));
    age.dataset.raised = card.raised;
    when.append(` since ${moment(card.raised)}, `, age);
  }
  when.append(`; ${alarm.state_words}${alarm.shelved ? ", shelved" : ""}.`);
  item.append(when, made("p", card.did));
  const steps = made("ol");
  for (const step of card.steps) {
    const line = made("li", step.text);
    const button = stepButton(step, card);
    if (button !== null) {
      line.append(button);
    }
    steps.append(line);
  }
  item.append(steps);
  const trip = reservoir.valve.trips.find((one) => one.id === card.id);
  const buttons = made("div", undefined, "buttons");
  const add = (words, name, property, value) => {
    const button = actButton(words, `${name}/${card.id}`, property, () => act(`${words.toLowerCase()}, ${card.heading}`, property, value));
    // Every alarm has the same buttons; the label names the alarm for a screen reader.
    button.setAttribute("aria-label", `${words}: ${card.id}`);
    buttons.append(button);
  };
  if (["unacknowledged", "cleared-unacknowledged", "latched-unacknowledged"].includes(alarm.state)) {
    add("Acknowledge", "acknowledge", "health/acknowledge", card.id);
  }
  const minutes = alarm.shelved ? 0 : SHELVE_MINUTES;
  add(
    alarm.shelved ? "End the shelving" : "Shelve for an hour",
    "shelve",
    "health/shelve",
    JSON.stringify({ alarm: card.id, minutes }),
  );
  const more = made("p", undefined, "small");
  const manual = made("a", card.id);
  manual.href = `/manual/faults#${card.id}`;
  more.append("In the manual and the log: ", manual, trip === undefined ? "" : `. ${trip.reset_rule}`);
  item.append(buttons, more);
  return item;
}

function asked(question, yes) {
  const dialog = element("confirm");
  write(element("confirm-text"), question);
  write(element("confirm-yes"), yes);
  dialog.showModal();
  element("confirm-no").focus();
  return new Promise((resolve) => {
    const done = (answer) => () => {
      dialog.close();
      resolve(answer);
    };
    element("confirm-yes").onclick = done(true);
    element("confirm-no").onclick = done(false);
    dialog.oncancel = () => resolve(false);
  });
}

async function reset(card) {
  const r = current();
  const opens = "If a fill is due and every permissive holds, the valve opens at once.";
  if (await asked(`Reset "${card.heading}" of ${r.name}? ${opens}`, "Reset")) {
    await act("reset", "health/reset", card.id);
  }
}

async function cartridge() {
  const r = current();
  const { load, treated } = r.purifier;
  const done = [treated === null ? "" : `made ${treated}`, load === null ? "" : `took up ${load}`].filter((part) => part !== "");
  const end = done.length === 0 ? "Its load and its forecast end here." : `It ${done.join(" and ")}; both counts and its forecast end here.`;
  if (await asked(`Is a new cartridge or membrane in place at ${r.name}? The old one is recorded. ${end}`, "Yes, it is in place")) {
    await act("new cartridge", "purifier/cartridge-changed", "changed");
  }
}

function wireNumber(form, input, property, what) {
  element(form).querySelector("button").dataset.sends = property;
  element(form).addEventListener("submit", async (event) => {
    event.preventDefault();
    // The unit in the label is the one that the person has seen.
    const { unit } = element(form).querySelector(".in-unit").dataset;
    const value = element(input).value.trim().replace(",", ".");
    if (await act(`${what} of ${value} ${unit}`, property, value, unit)) {
      // An empty field shows that the value is kept, and cannot be sent a second time.
      element(input).value = "";
      await refreshSample();
    }
  });
}

// The last sample of the reservoir, which can be taken back.
export async function refreshSample() {
  const id = current()?.id;
  if (id === undefined || !element("hand-depth").open) {
    return;
  }
  try {
    const answer = await fetch(`/api/reservoirs/${encodeURIComponent(id)}/sample`);
    const { entered, words } = await answer.json();
    if (id === current()?.id) {
      element("last-sample").hidden = !entered;
      writeDates(element("last-sample-words"), `The last one: ${words}.`);
      element("take-back").dataset.entered = entered ?? "";
    }
  } catch {
    // The line at the top shows the lost connection.
  }
}

async function takeBack() {
  const r = current();
  const { entered } = element("take-back").dataset;
  const words = element("last-sample-words").textContent.replace("The last one: ", "").replace(/\.$/, "");
  if (token === "") {
    say("Enter the token first; without it the page takes no commands.", "refused");
    element("token").focus();
    return;
  }
  if (!(await asked(`Take back the sample ${words}, of ${r.name}? The log keeps it, and nothing counts it.`, "Take it back"))) {
    return;
  }
  try {
    const answer = await post(`/api/reservoirs/${encodeURIComponent(r.id)}/take-back`, { entered: Number(entered) });
    const { sentence } = await answer.json();
    say(answer.ok ? sentence : `Refused: ${sentence}`, answer.ok ? "done" : "refused");
  } catch {
    say("No answer from the bridge. Look at the last sample again before you repeat this.", "refused");
  }
  await refreshSample();
}

async function checkToken() {
  const entered = element("token").value.trim();
  element("token").value = "";
  if (entered === "") {
    say("No token was entered.", "refused");
    return;
  }
  token = entered;
  const before = saidCount;
  try {
    const answer = await post("/api/token", {});
    const { sentence } = await answer.json();
    if (!answer.ok) {
      token = "";
      say(`Refused: ${sentence}`, "refused");
    } else if (saidCount === before) {
      // An act that was sent meanwhile has a result of its own, which this sentence must not replace.
      say("The token is right. It is in use.", "done");
    }
  } catch {
    say("The token could not be checked: there is no connection to the bridge.", "refused");
  }
  keep(element("token-keep").checked ? token : "");
  element("token-drop").hidden = token === "";
  if (token !== "") {
    whenToken.forEach((call) => call());
  }
}

export function wireActions(reservoir) {
  current = reservoir;
  element("token-form").addEventListener("submit", (event) => {
    event.preventDefault();
    checkToken();
  });
  element("token-drop").addEventListener("click", () => {
    token = "";
    keep("");
    say("The token is deleted.", "done");
    element("token-drop").hidden = true;
    element("token").focus();
  });
  element("hold").dataset.sends = "valve/hold";
  element("hold").addEventListener("click", () => {
    const on = !current()?.hold;
    act(on ? "hold" : "lift the hold", "valve/hold", String(on));
  });
  element("start").dataset.sends = "fill/start";
  element("start").addEventListener("click", () => act("fill to the mark", "fill/start", "start"));
  element("changed").dataset.sends = "purifier/cartridge-changed";
  element("changed").addEventListener("click", cartridge);
  element("said-close").addEventListener("click", () => say("", "done"));
  element("take-back").addEventListener("click", takeBack);
  element("hand-depth").addEventListener("toggle", refreshSample);
  wireNumber("sample-form", "sample", "reservoir/sample", "sample");
  wireNumber("retest-form", "retest", "product/retest", "retest");
  showBusy();
}
