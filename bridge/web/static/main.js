// Receives the facts of every reservoir as events, and shows the selected reservoir.
import { allow, refreshSample, wireActions } from "./actions.js";
import { day, element, made, write } from "./dom.js";
import { isOpen, refreshPast, wirePast } from "./past.js";
import { allowRound, wireRound } from "./round.js";
import { showFacts } from "./show.js";

const PAST_EVERY_MS = 60_000;
// Facts are sent every few seconds at least; after this time without any, they count as out of date.
const OLD_AFTER_MS = 20_000;
const LAST = "last-facts";

// By id: the facts, and when this window received them.
const facts = new Map();
const receivedAt = new Map();
const alarmed = new Map();
let chosen = decodeURIComponent(location.hash.slice(1));
let isConnected = false;
let bridgeName = "Pure water";

function show() {
  if (!facts.has(chosen)) {
    chosen = facts.keys().next().value;
  }
  const here = facts.get(chosen);
  if (here === undefined) {
    return;
  }
  const age = ageOf(here);
  showFacts(here, age);
  showChooser();
  showStream(here, age);
  showTitle(here, age);
}

// The time of the facts if they may be out of date; null while they are current.
function ageOf(one) {
  const received = receivedAt.get(one.id) ?? 0;
  if (isConnected && Date.now() - received <= OLD_AFTER_MS) {
    return null;
  }
  const then = new Date(received);
  const isToday = then.toDateString() === new Date().toDateString();
  return { time: isToday ? one.time : `${one.time} on ${day(then)}`, received };
}

function showStream(here, age) {
  const line = element("stream");
  line.classList.toggle("old", age !== null);
  // A screen reader announces only a change of the state, not every second.
  line.setAttribute("aria-live", age === null ? "off" : "assertive");
  if (age === null) {
    write(line, `Live, ${here.time}`);
  } else {
    const why = isConnected ? "The bridge sends nothing new." : "No connection to the bridge.";
    write(line, `${why} This page shows the state at ${age.time}.`);
  }
}

// The title and the icon of the tab show the worst of all reservoirs, also while another one is selected.
function showTitle(here, age) {
  const all = [...facts.values()];
  const alarms = all.reduce((sum, one) => sum + one.alarms.filter((alarm) => !alarm.shelved).length, 0);
  const word = age === null ? here.use.word : "not known now";
  const count = alarms === 0 ? "" : `(${alarms}) `;
  const title = `${count}${word}: ${here.name}, ${bridgeName}`;
  if (document.title !== title) {
    document.title = title;
  }
  const ranks = ["suitable", "marginal", "unknown", "unsuitable"];
  const worst = Math.max(...all.map((one) => ranks.indexOf(ageOf(one) === null ? one.use.verdict : "unknown")));
  const icon = `/static/icons/${alarms > 0 ? "alarm" : ranks[worst]}.svg`;
  if (element("icon").getAttribute("href") !== icon) {
    element("icon").setAttribute("href", icon);
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
      // The alarms stand before the verdict: "No alarm" would be the opposite of what is meant.
      const parts = ["who", "has", "cry", "verdict"].map((name) => made("span", "", name));
      button.append(...parts.flatMap((part) => [part, " "]));
      button.addEventListener("click", () => choose(button.dataset.id));
      nav.append(button);
    }
    button.dataset.id = one.id;
    const isOld = ageOf(one) !== null;
    const [who, has, cry, verdict] = button.children;
    button.dataset.verdict = isOld ? "unknown" : one.use.verdict;
    write(who, one.name);
    write(has, [one.reservoir.volume, one.reservoir.cover].filter((part) => part !== null).join(", "));
    write(verdict, isOld ? "not known now" : one.use.word);
    const count = one.alarms.length;
    write(cry, count === 0 ? "" : count === 1 ? "1 alarm" : `${count} alarms`);
    cry.classList.toggle("tripped", one.alarms.some((alarm) => alarm.is_trip));
    button.setAttribute("aria-current", String(one.id === chosen));
  });
  announceElsewhere();
}

// An alarm of another reservoir is announced once to a screen reader.
function announceElsewhere() {
  const news = [];
  for (const one of facts.values()) {
    const ids = new Set(one.alarms.map((alarm) => alarm.id));
    const before = alarmed.get(one.id);
    if (before !== undefined && one.id !== chosen) {
      news.push(...one.alarms.filter((alarm) => !before.has(alarm.id)).map((alarm) => `${one.name}: ${alarm.sentence}`));
    }
    alarmed.set(one.id, ids);
  }
  if (news.length > 0) {
    write(element("elsewhere"), news.join(" "));
  }
}

function choose(id) {
  chosen = id;
  location.hash = encodeURIComponent(id);
  show();
  refreshSample();
  if (isOpen()) {
    refreshPast();
  }
  element("name").focus();
}

function hello(everything) {
  bridgeName = everything.bridge.name;
  element("bridge").textContent = bridgeName;
  element("version").textContent = `${everything.bridge.id}, version ${everything.bridge.version}`;
  allow(everything.can_act);
  allowRound(everything.has_round, everything.can_act);
  isConnected = true;
  facts.clear();
  for (const one of everything.reservoirs) {
    take(one);
  }
  if (facts.size === 0) {
    write(element("stream"), "Connected; the bridge has sent no facts yet.");
  }
  show();
  refreshSample();
  if (isOpen()) {
    refreshPast();
  }
}

function take(one) {
  facts.set(one.id, one);
  receivedAt.set(one.id, Date.now());
}

// The last facts of this browser, for a page that opens while the bridge is away.
function remember() {
  if (!isConnected || facts.size === 0) {
    return;
  }
  try {
    const all = [...facts.values()].map((one) => [receivedAt.get(one.id), one]);
    localStorage.setItem(LAST, JSON.stringify({ name: bridgeName, all }));
  } catch {
    // A browser that is set to store nothing shows no old state.
  }
}

function recall() {
  try {
    const { name, all } = JSON.parse(localStorage.getItem(LAST) ?? "{}");
    for (const [received, one] of all ?? []) {
      facts.set(one.id, one);
      receivedAt.set(one.id, received);
    }
    bridgeName = name ?? bridgeName;
    write(element("bridge"), bridgeName);
  } catch {
    facts.clear();
  }
}

function lost() {
  remember();
  isConnected = false;
  if (facts.size === 0) {
    recall();
  }
  if (facts.size === 0) {
    write(element("stream"), "No connection to the bridge, and this browser has no earlier state.");
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
    if (isOpen() && one.id === chosen && before?.valve.phase !== one.valve.phase) {
      refreshPast();
    }
  });
  // The log contains a fill some time after its end.
  stream.addEventListener("fills", (event) => {
    if (isOpen() && JSON.parse(event.data).id === chosen) {
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

// Where there is room, the depths are open; on a phone each is one tap away.
if (matchMedia("(min-width: 56rem)").matches) {
  for (const depth of document.querySelectorAll(".depth")) {
    depth.open = true;
  }
}
setInterval(show, 2000);
setInterval(remember, 10_000);
addEventListener("pagehide", remember);
// Browsers allow this only over https, or on the machine itself.
if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/worker.js").catch(() => undefined);
}
setInterval(() => isOpen() && refreshPast(), PAST_EVERY_MS);
wireActions(() => facts.get(chosen));
wirePast(() => chosen);
wireRound();
follow();
