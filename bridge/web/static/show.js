// Shows the facts of one reservoir. The bridge sends every sentence complete.
import { alarmItem } from "./actions.js";
import { element, made, terms, write } from "./dom.js";
import { drawLine } from "./lines.js";

const STATES = {
  shut: "SHUT",
  fill: "OPEN to the reservoir",
  drain: "OPEN to the drain",
  unknown: "not known",
};
// The drawing of the tank: the position of its floor, and the height of its brim above it.
const FLOOR = 100;
const BRIM = 96;

let announced = null;
let wasMissing = null;

export function shortAnswer(r) {
  return r.use.word;
}

// oldSince: the time of these facts, if nothing was received since; null while they are current.
export function showFacts(r, oldSince) {
  write(element("name"), r.name);
  element("main").classList.toggle("old", oldSince !== null);
  if (oldSince === null) {
    element("answer").dataset.verdict = r.use.verdict;
    write(element("answer-word"), r.use.word);
    write(element("answer-then"), r.use.advice);
    write(element("answer-reason"), r.use.reason);
  } else {
    // An answer that may be out of date is not shown: "not known" must never look like "yes".
    element("answer").dataset.verdict = "unknown";
    write(element("answer-word"), "Not known now");
    write(element("answer-then"), `The bridge does not answer. This page shows the state at ${oldSince}.`);
    write(element("answer-reason"), `The answer then was: ${r.use.word}. ${r.use.advice}`);
  }
  showValve(r);
  showStock(r);
  showPurifier(r.purifier);
  showProduct(r);
  showAlarms(r);
  write(element("hold"), r.hold ? "Lift the hold" : "Hold: keep the valve shut");
  write(
    element("hold-word"),
    r.hold ? "On hold: there is no fill until somebody lifts the hold." : "Not on hold: the reservoir fills by itself.",
  );
  const { unit, scale } = r.product;
  for (const node of document.querySelectorAll(".in-unit")) {
    node.dataset.unit = unit;
    write(node, unit === "ppm" ? `ppm at ${scale}` : `${unit} ${scale}`);
  }
}

function showValve(r) {
  const state = element("valve-state");
  state.dataset.state = r.valve.state;
  element("gate").dataset.state = r.valve.state;
  write(state, STATES[r.valve.state] ?? r.valve.state);
  write(element("valve-phase"), r.valve.phase_words);
  write(element("valve-why"), r.valve.why);
  const box = element("first-out");
  box.hidden = r.valve.trips.length === 0;
  const key = JSON.stringify([r.valve.first_out, r.valve.trips]);
  if (box.dataset.shown !== key) {
    box.dataset.shown = key;
    box.replaceChildren();
    const first = r.valve.first_out;
    if (first !== null) {
      box.append(made("strong", `First-out: ${first.id}.`), made("p", first.sentence));
    }
    const others = r.valve.trips.map((trip) => trip.id).filter((id) => id !== first?.id);
    if (others.length > 0) {
      box.append(made("p", `Also latched: ${others.join(", ")}.`));
    }
  }
  const missing = r.valve.permissives.filter((one) => !one.holds).length;
  write(
    element("permissives-sum"),
    missing === 0 ? "Every permissive holds" : `${missing} of ${r.valve.permissives.length} permissives missing`,
  );
  if (missing > 0 !== wasMissing) {
    // Opened where there is room; on a phone it would push the alarms down. If a person closes it, it stays
    // closed until something changes.
    const isRoomy = matchMedia("(min-width: 56rem)").matches;
    element("permissives-box").open ||= isRoomy && (missing > 0 || wasMissing === null);
    wasMissing = missing > 0;
  }
  const list = element("permissives");
  const shown = JSON.stringify(r.valve.permissives);
  if (list.dataset.shown !== shown) {
    list.dataset.shown = shown;
    list.replaceChildren(
      ...[...r.valve.permissives].sort((one, other) => one.holds - other.holds).map((one) => {
        const item = made("li");
        item.append(
          made("span", one.holds ? "✓ holds" : "✗ missing", `word ${one.holds ? "holds" : "missing"}`),
          made("span", one.label),
        );
        return item;
      }),
    );
  }
  const parts = [];
  if (r.fill.volume !== null && r.valve.phase !== "idle") {
    parts.push(`This fill: ${r.fill.volume} in ${r.fill.minutes} min.`);
  }
  if (r.fill.today !== null) {
    parts.push(`Today: ${r.fill.today}.`);
  }
  write(element("fill"), parts.join(" "));
}

function showStock(r) {
  const { volume, capacity, fraction, zone, ppm, cover, overflow } = r.reservoir;
  const text = volume === null ? `Level ${zone === "unknown" ? "not known" : zone}` : `${volume} of ${capacity}`;
  write(element("volume"), text);
  element("tank").toggleAttribute("hidden", fraction === null);
  const height = Math.max(0, Math.min(1, fraction ?? 0)) * BRIM;
  element("tank-water").setAttribute("y", (FLOOR - height).toFixed(1));
  terms(element("stock"), [
    ["Lasts", cover === null ? "not known yet" : cover],
    ["Dissolved", ppm === null ? null : `about ${ppm}, by the mixing balance`],
    ["Zone", zone === "unknown" ? "not known" : zone],
    ["Overflow float", overflow === null ? null : overflow ? "UP" : "down"],
  ]);
}

function lifeOf(p) {
  if (p.days !== null) {
    return `${p.days} left`;
  }
  return p.litres === null ? "Life not known yet" : `About ${p.litres} left`;
}

function drawLife(p) {
  // Without a lower end the purifier lasts beyond the horizon, or its life is not known.
  const interval = p.days_low === null ? null : { low: p.days_low, high: p.days_high, middle: p.days_median };
  const far = interval === null ? 0 : Math.max(interval.high ?? interval.low * 1.5, p.days_median ?? 0, 1);
  drawLine(element("life-line"), interval, far * 1.15, [{ at: 0, text: "now", name: "edge" }]);
}

function showPurifier(p) {
  write(element("life"), lifeOf(p));
  drawLife(p);
  const order = element("order");
  order.hidden = p.order_now !== true;
  write(order, p.order_now === true ? "Order the next one now." : "");
  terms(element("purifier"), [
    ["Likely", p.days_median === null ? null : `${p.days_median.toFixed(p.days_median < 3 ? 1 : 0)} days, 80 % interval above`],
    ["Still produces", p.days === null ? null : p.litres],
    ["Has treated", p.treated],
    ["Load", p.load],
    ["Rejection", p.rejection],
  ]);
}

function drawProduct(p) {
  const [limit, target, half] = [p.limit_number, p.target_number, p.uncertainty_number ?? 0];
  const value = p.number;
  const interval = value === null ? null : { low: Math.max(0, value - half), high: value + half, middle: value };
  drawLine(element("product-line"), interval, Math.max(limit * 1.25, ((value ?? 0) + half) * 1.05), [
    { at: target, text: "target", name: "target" },
    { at: limit, text: "limit", name: "limit" },
  ]);
}

function showProduct(r) {
  const p = r.product;
  write(element("product"), p.text === null ? "Not known" : `${p.text} ${p.uncertainty ?? ""}`);
  drawProduct(p);
  terms(element("product-facts"), [
    ["Limit", p.limit],
    ["Better under", p.target],
    ["Scale", p.scale],
    ["Temperature", p.temperature],
    ["Probe", p.health],
    ["Feed", r.feed === null ? null : (r.feed.text ?? "not known")],
    ["Controller", r.link ? r.controller || "connected" : "no answer"],
  ]);
}

// A screen reader announces a new alarm once, at once, but not the alarms that were there when the page opened.
function announce(r) {
  const ids = new Set(r.alarms.filter((one) => !one.shelved).map((one) => one.id));
  if (announced?.reservoir === r.id) {
    const fresh = r.alarms.filter((one) => ids.has(one.id) && !announced.ids.has(one.id));
    if (fresh.length > 0) {
      write(element("alarms-cry"), fresh.map((one) => `${one.is_trip ? "Trip" : "Alarm"}: ${one.sentence}`).join(" "));
    }
  }
  announced = { reservoir: r.id, ids };
}

function showAlarms(r) {
  const list = element("alarms");
  const key = JSON.stringify([r.id, r.alarms, r.valve.trips.map((trip) => trip.id)]);
  if (list.dataset.shown === key) {
    return;
  }
  list.dataset.shown = key;
  const count = r.alarms.length;
  const many = count === 1 ? "One is not in its normal state." : `${count} are not in their normal state.`;
  write(element("alarms-word"), count === 0 ? "None." : many);
  announce(r);
  const focused = document.activeElement?.dataset?.act;
  list.replaceChildren(...r.alarms.map((alarm) => alarmItem(alarm, r)));
  if (focused !== undefined) {
    // Keyboard focus stays on the same button, or moves to the heading if the button is gone.
    const again = list.querySelector(`[data-act="${CSS.escape(focused)}"]`);
    (again ?? element("alarms-head")).focus();
  }
}

// A cell with line breaks only between its parts, such as day and time.
function wholes(parts) {
  const cell = made("td");
  parts.forEach((part, at) => cell.append(at === 0 ? "" : " ", made("span", part, "whole")));
  return cell;
}

export function showFills(fills) {
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
