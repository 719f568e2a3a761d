// The history of the selected reservoir: its span, its charts, its events and its last fills.
import { showCartridges, showCharts, wireCharts } from "./charts.js";
import { element, made, moment, write } from "./dom.js";

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
const SHORTEST_MS = 10 * 60_000;
const LONGEST_MS = 3650 * DAY_MS;
const COMPARED_MS = 600_000;
// Kinds that the charts mark.
const MARKED = "trip,cartridge,sample,calibration";

let chosen = () => undefined;
// The span: its length, and its end; an end of null moves with the clock.
let length = DAY_MS;
let end = null;
let first = null;
let number = 0;
let compared = { id: undefined, at: 0 };

function span() {
  const until = end ?? Date.now();
  return { from: Math.max(0, Math.round(until - length)), until: Math.round(until) };
}

async function read(path) {
  const answer = await fetch(path);
  return answer.json();
}

export async function refreshPast() {
  const id = chosen();
  if (id === undefined || id === "") {
    return;
  }
  const base = `/api/reservoirs/${encodeURIComponent(id)}`;
  const { from, until } = span();
  const query = `from=${from}&until=${until}`;
  const mine = ++number;
  element("sheet").href = `${base}/history.csv?${query}`;
  write(element("span-word"), `${moment(from / 1000)} to ${end === null ? "now" : moment(until / 1000)}`);
  try {
    const [course, marks, fills] = await Promise.all([
      read(`${base}/history?${query}`),
      read(`${base}/entries?${query}&kinds=${MARKED}`),
      read(`${base}/fills`),
    ]);
    if (mine === number) {
      first = course.first ?? null;
      showCharts(course, Array.isArray(marks) ? marks : []);
      showFills(fills);
      await refreshEntries(base, query);
      await refreshCartridges(id, base);
    }
  } catch {
    // The line at the top shows the lost connection; the old drawing stays.
  }
}

// The cartridges do not depend on the span, and change slowly.
async function refreshCartridges(id, base) {
  if (compared.id === id && Date.now() - compared.at < COMPARED_MS) {
    return;
  }
  const found = await read(`${base}/cartridges`);
  if (id !== chosen()) {
    return;
  }
  compared = { id, at: Date.now() };
  showCartridges(found);
  element("cartridges").replaceChildren(
    ...(found.cartridges ?? []).toReversed().map((one) => {
      const row = made("tr");
      row.append(made("td", one.name), ...[one.made, one.first ?? "–", one.last ?? "–"].map((text) => wholes(text.split(" "))));
      return row;
    }),
  );
}

async function refreshEntries(base, query) {
  const kinds = [...element("kinds").querySelectorAll("[aria-pressed=true]")].map((one) => one.dataset.kind);
  const list = element("entries");
  const found = kinds.length === 0 ? [] : await read(`${base}/entries?${query}&kinds=${kinds.join(",")}`);
  const entries = Array.isArray(found) ? found : [];
  list.replaceChildren(
    ...entries.map((one) => {
      const item = made("li");
      item.append(made("time", one.time), made("span", one.kind, one.kind), made("span", one.sentence, "what"));
      return item;
    }),
  );
  if (entries.length === 0) {
    list.append(made("li", found.sentence ?? "None of these kinds in this span."));
  }
}

// A cell with line breaks only between its parts, such as day and time.
function wholes(parts) {
  const cell = made("td");
  parts.forEach((part, at) => cell.append(at === 0 ? "" : " ", made("span", part, "whole")));
  return cell;
}

function showFills(fills) {
  const body = element("fills");
  body.replaceChildren();
  if (!Array.isArray(fills) || fills.length === 0) {
    const row = made("tr");
    const cell = made("td", "None in the log.");
    cell.colSpan = 4;
    row.append(cell);
    body.append(row);
    return;
  }
  for (const fill of fills) {
    const row = made("tr");
    row.append(
      wholes(fill.began.split(" ")),
      wholes([fill.volume ?? "not measured"]),
      made("td", String(fill.minutes)),
      made("td", fill.ended_by),
    );
    body.append(row);
  }
}

function show(newLength, newEnd) {
  length = Math.min(LONGEST_MS, Math.max(SHORTEST_MS, newLength));
  end = newEnd === null || newEnd >= Date.now() ? null : newEnd;
  for (const one of element("spans").children) {
    one.setAttribute("aria-pressed", String(end === null && Number(one.dataset.hours) * HOUR_MS === length));
  }
  refreshPast();
}

export function wirePast(reservoir) {
  chosen = reservoir;
  for (const button of element("spans").children) {
    button.addEventListener("click", () => {
      const hours = Number(button.dataset.hours);
      const whole = first === null ? DAY_MS : Date.now() - first * 1000;
      show(hours === 0 ? whole : hours * HOUR_MS, null);
    });
  }
  for (const button of element("kinds").children) {
    button.addEventListener("click", () => {
      button.setAttribute("aria-pressed", String(button.getAttribute("aria-pressed") !== "true"));
      refreshPast();
    });
  }
  const until = () => end ?? Date.now();
  element("earlier").addEventListener("click", () => show(length, until() - length / 2));
  element("later").addEventListener("click", () => show(length, until() + length / 2));
  element("closer").addEventListener("click", () => show(length / 2, until() - length / 4));
  element("wider").addEventListener("click", () => show(length * 2, until() + length / 2));
  // A wheel moves through time; with the control key it zooms, as on a map.
  element("charts").addEventListener("wheel", (event) => {
    if (event.ctrlKey || event.shiftKey) {
      event.preventDefault();
      const away = event.deltaY || event.deltaX;
      if (event.ctrlKey) {
        show(length * (away > 0 ? 1.5 : 1 / 1.5), end);
      } else {
        show(length, until() + (Math.sign(away) * length) / 4);
      }
    }
  }, { passive: false });
  wireCharts((from, to) => show((to - from) * 1000, to * 1000));
  // Nothing is read for a history that nobody looks at.
  element("history-depth").addEventListener("toggle", () => isOpen() && refreshPast());
}

export function isOpen() {
  return element("history-depth").open;
}
