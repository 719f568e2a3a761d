// The watering round: a list to tick off. A tick is kept in this browser until the bridge has entered it, so
// that it can be made without a connection. Its key makes it one entry, however often it is sent.
import { hasToken, newKey, onToken, post } from "./actions.js";
import { day, element, made, write } from "./dom.js";

const KEPT = "watering-round";
const AGAIN_MS = 30_000;
const LIST_EVERY_MS = 600_000;
// Where a browser stores nothing, the ticks last as long as this window.
let inMemory = { list: null, ticks: [] };
let isStored = true;
let isSending = false;
let listing = 0;
let mayTick = false;
let trouble = "";

// ticks: [{tick, tray, kind, amount, unit, words, date, state: waiting | entered | refused, isBack, sentence}]
function load() {
  try {
    return (isStored && JSON.parse(localStorage.getItem(KEPT))) || inMemory;
  } catch {
    return inMemory;
  }
}

// Reads before it writes, because another window of this browser may have changed the ticks.
function change(how) {
  const kept = load();
  how(kept);
  inMemory = kept;
  try {
    localStorage.setItem(KEPT, JSON.stringify(kept));
  } catch {
    // What the storage has is older from now on.
    isStored = false;
  }
}

function changeTick(ident, how) {
  change((kept) => {
    const one = kept.ticks.find((tick) => tick.tick === ident);
    if (one !== undefined) {
      how(one);
    }
  });
}

// Once somebody has begun, the list of the day stays: what is done must not change what is still to do.
function merged(before, fresh, ticks) {
  const isBegun = fresh.trays.some((tray) => tray.done.length > 0) || ticks.some((tick) => tick.date === fresh.date);
  if (before === null || before.date !== fresh.date || !isBegun) {
    return fresh;
  }
  const trays = fresh.trays.map((tray) => {
    const acts = before.trays.find((one) => one.id === tray.id)?.acts ?? [];
    return { ...tray, acts: [...acts, ...tray.acts.filter((act) => acts.every((one) => one.kind !== act.kind))] };
  });
  return { ...fresh, trays };
}

export async function refreshRound() {
  const mine = ++listing;
  // What was entered before the list is read is in it, and needs no copy here.
  const entered = new Set(load().ticks.filter((tick) => tick.state === "entered").map((tick) => tick.tick));
  try {
    const answer = await fetch("/api/round");
    const fresh = await answer.json();
    if (mine !== listing) {
      return;
    }
    trouble = answer.ok ? "" : fresh.sentence;
    if (answer.status === 503) {
      setTimeout(refreshRound, AGAIN_MS);
    }
    if (answer.ok) {
      change((kept) => {
        kept.list = merged(kept.list, fresh, kept.ticks);
        kept.ticks = kept.ticks.filter((tick) => tick.isBack || !entered.has(tick.tick));
      });
    }
  } catch {
    // Without a connection the kept list stays.
  }
  show();
}

// Sends what waits, in order, until all is sent or the connection ends.
export async function sendTicks() {
  if (isSending) {
    return;
  }
  isSending = true;
  show();
  let sent = 0;
  try {
    for (;;) {
      const next = load().ticks.find((tick) => tick.state === "waiting" || (tick.isBack && tick.state === "entered"));
      if (next === undefined || !hasToken()) {
        break;
      }
      const isBack = next.state !== "waiting";
      const { tick, tray, kind, amount, unit, date } = next;
      const answer = await post(`/api/round/${isBack ? "untick" : "tick"}`, { tick, tray, kind, amount, unit, date });
      const { sentence } = await answer.json();
      if (answer.ok) {
        sent += 1;
        trouble = "";
        change((kept) => {
          if (isBack) {
            kept.ticks = kept.ticks.filter((one) => one.tick !== tick);
            // Until the next list arrives, this one must not show the entry either.
            kept.list?.trays.forEach((one) => { one.done = one.done.filter((act) => act.tick !== tick); });
          }
        });
        changeTick(tick, (one) => { one.state = "entered"; });
      } else if (answer.status === 409 || answer.status === 400) {
        change((kept) => {
          kept.ticks = kept.ticks.filter((one) => one.tick !== tick || !one.isBack);
        });
        changeTick(tick, (one) => {
          one.state = "refused";
          one.sentence = sentence;
        });
      } else {
        trouble = sentence;
        break;
      }
      show();
    }
  } catch {
    // No connection; the ticks wait.
  } finally {
    isSending = false;
  }
  show();
  if (sent > 0) {
    await refreshRound();
  }
}

// A list of yesterday can still be used; what is poured today is entered for today.
function dateOf(list) {
  const today = day(new Date());
  return today > list.date ? today : list.date;
}

function add(act, tray, list) {
  change((kept) => {
    kept.ticks.push({ ...act, tick: newKey(), tray: tray.id, date: dateOf(list), state: "waiting", isBack: false, sentence: "" });
  });
  sendTicks();
  show();
}

function takeBack(act, tray, list) {
  change((kept) => {
    const mine = kept.ticks.find((tick) => tick.tick === act.tick);
    if (mine === undefined) {
      kept.ticks.push({ ...act, tray: tray.id, date: list.date, state: "entered", isBack: true, sentence: "" });
    } else if (mine.state === "refused") {
      kept.ticks = kept.ticks.filter((tick) => tick !== mine);
    } else {
      mine.isBack = true;
    }
  });
  sendTicks();
  show();
}

// The acts of a tray with their ticks: first what was done, then what is to do.
function actsOf(tray, ticks) {
  const mine = ticks.filter((tick) => tick.tray === tray.id);
  const done = [
    ...tray.done.filter((act) => act.tick === "" || mine.every((tick) => tick.tick !== act.tick)).map((act) => ({ act, state: "entered" })),
    ...mine.filter((tick) => !tick.isBack).map((tick) => ({ act: tick, state: tick.state, sentence: tick.sentence })),
  ];
  const kinds = done.map(({ act }) => (act.kind === "fill" ? "give" : act.kind));
  return [...done, ...tray.acts.filter((act) => !kinds.includes(act.kind)).map((act) => ({ act, state: "" }))];
}

function stateWords(state, sentence) {
  return {
    "": "",
    waiting: isSending ? "being sent" : "waits in this browser",
    entered: "in the log",
    refused: `refused: ${sentence}`,
  }[state];
}

function box({ act, state, sentence }, tray, list) {
  const line = made("li");
  const isDone = state !== "";
  if (!isDone && act.kind === "sample") {
    line.append(reading(tray, list));
    return line;
  }
  const words = stateWords(state, sentence);
  if (isDone && act.tick === "") {
    line.append(made("span", `✓ ${act.words}`), made("span", "in the log", "small"));
    return line;
  }
  const label = made("label", undefined, "check");
  const input = made("input");
  input.type = "checkbox";
  input.checked = isDone;
  input.disabled = !mayTick;
  input.dataset.act = `${tray.id} ${act.kind} ${act.tick}`;
  input.addEventListener("change", () => (isDone ? takeBack : add)(act, tray, list));
  const text = made("span", act.words);
  text.append(made("span", `, ${tray.name}`, "unseen"));
  label.append(input, text);
  line.append(label);
  if (words !== "") {
    line.append(made("span", words, `small ${state}`));
  }
  return line;
}

// A field and its button. enter: called with the number.
function amountForm(id, words, name, enter) {
  const form = made("form", undefined, "amount");
  const label = made("label", words);
  const input = made("input");
  input.id = label.htmlFor = id;
  input.inputMode = "decimal";
  input.autocomplete = "off";
  input.required = true;
  input.pattern = "[0-9]+([.,][0-9]+)?";
  input.title = "a number, such as 4.5";
  const button = made("button", "Enter");
  button.setAttribute("aria-label", name);
  button.disabled = input.disabled = !mayTick;
  form.append(label, input, button);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    enter(Number(input.value.trim().replace(",", ".")));
  });
  return form;
}

// So many litres filled the tray to its mark: from this the bridge learns what the tray uses.
function otherAmount(tray, list) {
  const more = made("details", undefined, "other");
  more.dataset.tray = tray.id;
  const form = amountForm(`amount-${tray.id}`, `Filled to its mark with, ${list.unit}`, `Enter the amount of ${tray.name}`, (amount) => {
    if (amount > 0) {
      const words = `Filled to its mark with ${amount.toFixed(1)} ${list.unit}`;
      add({ kind: "fill", amount: amount * list.litres_in_unit, words }, tray, list);
    }
  });
  more.append(made("summary", "Another amount"), form);
  return more;
}

function reading(tray, list) {
  const unit = tray.solids === "ppm" ? `ppm (${tray.scale})` : `${tray.solids} ${tray.scale}`;
  return amountForm(`reading-${tray.id}`, `Measured in it, ${unit}`, `Enter the sample of ${tray.name}`, (amount) =>
    add({ kind: "sample", amount, unit: tray.solids, words: `Measured: ${amount} ${tray.solids}` }, tray, list));
}

function trayItem(tray, acts, list) {
  const item = made("li");
  item.append(made("h3", tray.name), made("p", tray.state, "small"));
  const boxes = made("ul", undefined, "ticks");
  boxes.append(...acts.map((one) => box(one, tray, list)));
  if (acts.length === 0) {
    boxes.append(made("li", "Nothing today."));
  }
  item.append(boxes, ...tray.notes.map((note) => made("p", note, "small")));
  if (acts.some(({ act, state }) => state === "" && act.kind === "give")) {
    item.append(otherAmount(tray, list));
  }
  return item;
}

function listed(sentences) {
  return sentences.map((sentence) => made("li", sentence));
}

function show() {
  const { list, ticks } = load();
  element("round-depth").hidden = element("round-row").hidden = list === null;
  if (list === null) {
    return;
  }
  const rows = list.trays.map((tray) => ({ tray, acts: actsOf(tray, ticks) }));
  const all = rows.flatMap(({ acts }) => acts);
  const left = all.filter(({ state }) => state === "" || state === "refused").length;
  const waiting = ticks.filter((tick) => tick.state === "waiting" || tick.isBack).length;
  const word = all.length === 0 ? "nothing to water today" : left === 0 ? "all done today" : `${left} of ${all.length} to do`;
  write(element("round-word"), word);
  write(element("round-count"), waiting === 0 ? word : `${word}, ${waiting} not sent yet`);
  const today = day(new Date());
  write(element("round-day"), list.date < today ? `This is the list of ${list.date}. A new one needs the bridge.` : `List of ${list.date}, in the order of the benches.`);
  let queue = isStored ? trouble : `This browser stores nothing, so keep this window open until all is sent. ${trouble}`.trim();
  if (waiting > 0 && !hasToken()) {
    queue = `${waiting === 1 ? "One tick waits" : `${waiting} ticks wait`} in this browser. Enter the token under "By hand" to send ${waiting === 1 ? "it" : "them"}.`;
  } else if (waiting > 0 && !isSending) {
    queue = `${waiting === 1 ? "One tick waits" : `${waiting} ticks wait`} in this browser until the bridge answers. ${trouble}`.trim();
  }
  write(element("round-queue"), mayTick || queue !== "" ? queue : "This bridge has no token, so nothing can be ticked here.");
  const key = JSON.stringify([list, ticks, mayTick, isSending, hasToken()]);
  const box = element("round");
  if (box.dataset.shown === key) {
    return;
  }
  box.dataset.shown = key;
  const focused = document.activeElement;
  const wasInside = box.contains(focused);
  const at = focused?.dataset?.act ?? focused?.id;
  const typed = [...box.querySelectorAll("form input")].map((input) => [input.id, input.value]);
  const pours = list.trays.some((tray) => tray.acts.some((act) => act.kind !== "sample"));
  element("round-needs").replaceChildren(...listed(pours ? list.needs : []));
  element("round-notes").replaceChildren(...listed(list.notes));
  const open = [...box.querySelectorAll("details[open]")].map((one) => one.dataset.tray);
  box.replaceChildren(...rows.map(({ tray, acts }) => trayItem(tray, acts, list)));
  for (const one of box.querySelectorAll("details")) {
    one.open = open.includes(one.dataset.tray);
  }
  for (const [id, value] of typed) {
    const input = document.getElementById(id);
    if (input !== null) {
      input.value = value;
    }
  }
  if (wasInside && !document.contains(focused)) {
    // A ticked box has a new key; its tray and its kind stay. Keyboard focus must not fall back to the top.
    const place = (at ?? "").split(" ").slice(0, 2).join(" ");
    const same = document.getElementById(at) ?? (place === "" ? null : box.querySelector(`[data-act^="${place}"]`));
    (same ?? element("round-depth").querySelector("summary")).focus();
  }
}

// hasRound: whether the bridge has trays; undefined while there is no connection.
export function allowRound(hasRound, canAct) {
  mayTick = canAct;
  if (hasRound === false) {
    change((kept) => { kept.list = null; });
    show();
    return;
  }
  refreshRound();
  sendTicks();
}

export function wireRound() {
  // Without a connection ticks are taken all the same; the bridge decides when they arrive.
  mayTick = load().list !== null;
  element("round-word").addEventListener("click", (event) => {
    event.preventDefault();
    element("round-depth").open = true;
    element("round-depth").querySelector("summary").focus();
  });
  addEventListener("online", sendTicks);
  addEventListener("storage", (event) => event.key === KEPT && show());
  onToken(sendTicks);
  setInterval(sendTicks, AGAIN_MS);
  setInterval(() => load().list !== null && refreshRound(), LIST_EVERY_MS);
  show();
}
