// Actions by hand: each sends one command to the bridge, whose guard decides, and shows the result.
import { element, made, write } from "./dom.js";

const KEPT = "page-token";
const SHELVE_MINUTES = 60;

let current = () => undefined;
let mayAct = false;
let token = kept();

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
  showToken();
}

function showToken() {
  element("token-drop").hidden = token === "";
  for (const button of document.querySelectorAll(".acts button, .alarms button")) {
    button.disabled = !mayAct;
  }
}

function say(sentence, refused) {
  const said = element("said");
  said.classList.toggle("refused", refused);
  write(said, sentence);
  element("said-close").hidden = sentence === "";
}

// unit: the unit of a figure; undefined for other values.
async function act(property, value, unit) {
  const reservoir = current();
  if (reservoir === undefined) {
    return;
  }
  if (token === "") {
    say("Enter the token first; without it the page takes no commands.", true);
    element("token").focus();
    return;
  }
  // Replaces the result of the command before, which would look like the result of this one.
  say("Sent. Waiting for the bridge.", false);
  try {
    const answer = await fetch(`/api/reservoirs/${encodeURIComponent(reservoir.id)}/command`, {
      method: "POST",
      headers: { "content-type": "application/json", authorization: `Bearer ${token}` },
      body: JSON.stringify({ property, value, unit }),
    });
    const { sentence } = await answer.json();
    say(answer.ok ? `${reservoir.name}: ${sentence}` : `Refused: ${sentence}`, !answer.ok);
  } catch {
    say("Not sent: there is no connection to the bridge.", true);
  }
}

export function alarmItem(alarm, reservoir) {
  const item = made("li", undefined, `${alarm.is_trip ? "trip" : ""} ${alarm.shelved ? "shelved" : ""}`);
  const trip = reservoir.valve.trips.find((one) => one.id === alarm.id);
  const kind = alarm.is_trip ? "Trip" : "Alarm";
  item.append(
    made("h3", `${kind} ${alarm.id}: ${alarm.state_words}${alarm.shelved ? ", shelved" : ""}`),
    made("p", trip === undefined ? alarm.sentence : `${alarm.sentence} ${trip.reset_rule}`),
  );
  const buttons = made("div", undefined, "buttons");
  const add = (words, name, property, value) => {
    const button = made("button", words);
    button.type = "button";
    button.dataset.act = `${name}/${alarm.id}`;
    button.disabled = !mayAct;
    // Every alarm has the same buttons; the label names the alarm for a screen reader.
    button.setAttribute("aria-label", `${words}: ${alarm.id}`);
    button.addEventListener("click", () => act(property, value));
    buttons.append(button);
  };
  add("Acknowledge", "acknowledge", "health/acknowledge", alarm.id);
  if (trip !== undefined) {
    add("Reset", "reset", "health/reset", alarm.id);
  }
  const minutes = alarm.shelved ? 0 : SHELVE_MINUTES;
  add(
    alarm.shelved ? "End the shelving" : "Shelve for an hour",
    "shelve",
    "health/shelve",
    JSON.stringify({ alarm: alarm.id, minutes }),
  );
  item.append(buttons);
  return item;
}

function asked(question) {
  const dialog = element("confirm");
  write(element("confirm-text"), question);
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

function wireNumber(form, input, property) {
  element(form).addEventListener("submit", async (event) => {
    event.preventDefault();
    // The unit in the label is the one that the person has seen.
    const { unit } = element(form).querySelector(".in-unit").dataset;
    await act(property, element(input).value.trim().replace(",", "."), unit);
  });
}

export function wireActions(reservoir) {
  current = reservoir;
  element("token-form").addEventListener("submit", (event) => {
    event.preventDefault();
    token = element("token").value.trim();
    element("token").value = "";
    keep(element("token-keep").checked ? token : "");
    say(token === "" ? "No token was entered." : "The token is in use.", token === "");
    showToken();
  });
  element("token-drop").addEventListener("click", () => {
    token = "";
    keep("");
    say("The token is deleted.", false);
    showToken();
    element("token").focus();
  });
  element("hold").addEventListener("click", () => act("valve/hold", String(!current()?.hold)));
  element("start").addEventListener("click", () => act("fill/start", "start"));
  element("changed").addEventListener("click", async () => {
    const sure = "Is a new cartridge or membrane in place? The load and the forecast of the old one end here.";
    if (await asked(sure)) {
      await act("purifier/cartridge-changed", "changed");
    }
  });
  element("said-close").addEventListener("click", () => say("", false));
  wireNumber("sample-form", "sample", "reservoir/sample");
  wireNumber("retest-form", "retest", "product/retest");
  showToken();
}
