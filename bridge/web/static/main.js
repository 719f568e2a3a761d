// Receives the facts of every reservoir as events, and shows the selected reservoir.
import { wireActions, allow } from "./actions.js";
import { element, write } from "./dom.js";
import { shortAnswer, showFacts, showFills } from "./show.js";
import { showTrend } from "./trend.js";

const PAST_EVERY_MS = 60_000;
// Facts are sent every few seconds at least; after this time without any, they count as out of date.
const OLD_AFTER_MS = 20_000;

// By id: the facts, and when this window received them.
const facts = new Map();
const receivedAt = new Map();
let chosen = decodeURIComponent(location.hash.slice(1));
let hours = 24;
let isConnected = false;
let isDrawn = null;

function show() {
  if (!facts.has(chosen)) {
    chosen = facts.keys().next().value;
  }
  const here = facts.get(chosen);
  if (here === undefined) {
    return;
  }
  const since = oldSince(here);
  showFacts(here, since);
  showChooser();
  showStream(here, since);
}

// The time of the facts if they may be out of date; null while they are current.
function oldSince(here) {
  const received = receivedAt.get(here.id) ?? 0;
  if (isConnected && Date.now() - received <= OLD_AFTER_MS) {
    return null;
  }
  const then = new Date(received);
  const isToday = then.toDateString() === new Date().toDateString();
  const day = [then.getFullYear(), then.getMonth() + 1, then.getDate()].map((n) => String(n).padStart(2, "0"));
  return isToday ? here.time : `${here.time} on ${day.join("-")}`;
}

function showStream(here, since) {
  const line = element("stream");
  line.classList.toggle("old", since !== null);
  // A screen reader announces only a change of the state, not every second.
  line.setAttribute("aria-live", since === null ? "off" : "assertive");
  if (since === null) {
    write(line, `Live, last update at ${here.time}`);
  } else {
    const why = isConnected ? "The bridge sends nothing new." : "No connection to the bridge.";
    write(line, `${why} This page shows the state at ${since}.`);
  }
}

function showChooser() {
  const nav = element("chooser");
  nav.hidden = facts.size < 2;
  while (nav.children.length > facts.size) {
    nav.lastChild.remove();
  }
  [...facts.values()].forEach((one, at) => {
    let button = nav.children[at];
    if (button === undefined) {
      button = document.createElement("button");
      button.type = "button";
      button.addEventListener("click", () => choose(button.dataset.id));
      nav.append(button);
    }
    button.dataset.id = one.id;
    const answer = oldSince(one) === null ? shortAnswer(one) : "not known now";
    write(button, `${one.name}: ${answer}${one.alarms.length ? ", alarm" : ""}`);
    button.setAttribute("aria-current", String(one.id === chosen));
  });
}

function choose(id) {
  chosen = id;
  location.hash = encodeURIComponent(id);
  show();
  refreshPast();
  element("name").focus();
}

function hello(everything) {
  element("bridge").textContent = everything.bridge.name;
  element("version").textContent = `${everything.bridge.id}, version ${everything.bridge.version}`;
  document.title = `${everything.bridge.name}: pure water`;
  allow(everything.can_act);
  isConnected = true;
  facts.clear();
  for (const one of everything.reservoirs) {
    take(one);
  }
  if (facts.size === 0) {
    write(element("stream"), "Connected; the bridge has sent no facts yet.");
  }
  show();
  refreshPast();
}

function take(one) {
  facts.set(one.id, one);
  receivedAt.set(one.id, Date.now());
}

function lost() {
  isConnected = false;
  if (facts.size === 0) {
    write(element("stream"), "No connection to the bridge.");
  }
  show();
}

function follow() {
  const stream = new EventSource("/api/events");
  stream.addEventListener("hello", (event) => hello(JSON.parse(event.data)));
  stream.addEventListener("facts", (event) => {
    const one = JSON.parse(event.data);
    const before = facts.get(one.id);
    take(one);
    show();
    if (one.id === chosen && (isDrawn !== one.id || before?.valve.phase !== one.valve.phase)) {
      refreshPast();
    }
  });
  // The log contains a fill some time after its end.
  stream.addEventListener("fills", (event) => {
    if (JSON.parse(event.data).id === chosen) {
      refreshPast();
    }
  });
  stream.addEventListener("error", () => {
    lost();
    if (stream.readyState === EventSource.CLOSED) {
      // The server refused the stream; the browser does not try again by itself.
      setTimeout(follow, 5000);
    }
  });
}

async function refreshPast() {
  const id = chosen;
  if (id === undefined || id === "") {
    return;
  }
  const base = `/api/reservoirs/${encodeURIComponent(id)}`;
  try {
    const [trend, fills] = await Promise.all([
      fetch(`${base}/trend?hours=${hours}`).then((answer) => answer.json()),
      fetch(`${base}/fills`).then((answer) => answer.json()),
    ]);
    if (id === chosen) {
      isDrawn = id;
      showTrend(trend, hours);
      showFills(fills);
    }
  } catch {
    // The line at the top shows the lost connection; the old drawing stays.
  }
}

for (const button of element("spans").children) {
  button.addEventListener("click", () => {
    hours = Number(button.dataset.hours);
    for (const one of element("spans").children) {
      one.setAttribute("aria-pressed", String(one === button));
    }
    refreshPast();
  });
}
setInterval(show, 2000);
setInterval(refreshPast, PAST_EVERY_MS);
wireActions(() => facts.get(chosen));
follow();
