// Shows the facts of one reservoir. The bridge sends every sentence complete.
import { alarmCard, showBusy } from "./actions.js";
import { ago, element, made, terms, write, writeDates } from "./dom.js";
import { drawLine } from "./lines.js";

const STATES = {
  shut: "SHUT",
  fill: "OPEN to the reservoir",
  drain: "OPEN to the drain",
  unknown: "not known",
};
const SEQUENCE = [["idle", "idle"], ["rinse", "rinse"], ["fill", "fill"], ["pause", "interrupted"], ["tripped", "tripped"]];

let announced = null;

// age: when these facts were received and why they are old, if they are old; null while they are current.
export function showFacts(r, age) {
  write(element("name"), r.name);
  element("main").classList.toggle("old", age !== null || r.glance.as_of !== null);
  showAnswer(r, age);
  showGlance(r, age);
  showValve(r, age);
  showStock(r, age);
  showPurifier(r);
  showProduct(r, age);
  showAlarms(r);
  write(element("hold"), r.hold ? "Lift the hold" : "Hold: keep the valve shut");
  write(
    element("hold-word"),
    r.hold ? "On hold: there is no fill until somebody lifts the hold." : "Not on hold: the reservoir fills by itself.",
  );
  const { unit, scale } = r.product;
  for (const node of document.querySelectorAll(".in-unit")) {
    node.dataset.unit = unit;
    write(node, unit === "ppm" ? `ppm (${scale})` : `${unit} ${scale}`);
  }
  showBusy();
}

function showAnswer(r, age) {
  const box = element("answer");
  box.dataset.verdict = age === null ? r.use.verdict : "unknown";
  if (age === null) {
    write(element("answer-word"), r.use.word);
    write(element("answer-then"), r.use.advice);
    writeDates(element("answer-held"), r.glance.held === null ? "" : `It has ${r.glance.held}, ${r.reservoir.basis_words}.`);
    writeDates(element("answer-reason"), r.use.reason);
  } else {
    // An answer that may be out of date is not shown: "not known" must never look like "yes".
    write(element("answer-word"), "Not known now");
    write(element("answer-then"), "The bridge does not answer.");
    write(element("answer-held"), "");
    write(element("answer-reason"), `The answer then was: ${r.use.word}. ${r.use.advice}`);
  }
}

// How old the measured values are, in words; empty while they are current.
function ageOf(r, age) {
  const seconds = r.glance.as_of ?? (age === null ? null : age.received / 1000);
  return seconds === null ? "" : ago(seconds);
}

function showGlance(r, age) {
  const { volume, capacity, fraction, zone, cover } = r.reservoir;
  const g = r.glance;
  const old = ageOf(r, age);
  const level = { low: "low", middle: "in the middle", full: "full" }[zone] ?? "not known";
  write(element("volume"), volume === null ? `Level ${level}` : `${volume} of ${capacity}`);
  write(element("volume-age"), volume === null && zone === "unknown" ? "" : old);
  drawBar(fraction, g);
  write(element("marks"), g.refill_text === null || fraction === null ? "" : `fills at ${g.refill_text}, up to ${g.fill_text}`);
  write(element("lasts"), cover ?? "not known yet");
  const unfit = r.use.verdict === "unsuitable" && cover !== null ? "of water that is not fit" : "";
  writeDates(element("lasts-until"), unfit || (g.dry === null ? "" : `until ${g.dry} or later`));
  element("life-row").hidden = !g.has_cartridge && r.purifier.days === null && r.purifier.litres === null;
  write(element("life"), lifeOf(r.purifier));
  writeDates(element("life-until"), g.spent === null ? "" : `until ${g.spent} or later${g.order === null ? "" : `; order by ${g.order}`}`);
  element("order").hidden = r.purifier.order_now !== true;
  const count = r.alarms.length;
  const word = element("alarms-word");
  const none = age === null ? "none" : `none at ${age.time}`;
  write(word, count === 0 ? none : `${count === 1 ? "1 alarm" : `${count} alarms`}: ${g.cards[0].heading}`);
  word.classList.toggle("alarmed", count > 0);
  word.classList.toggle("tripped", r.alarms.some((one) => one.is_trip));
  write(element("todo"), age === null ? g.todo : "Check the power and the network of the bridge.");
  element("alarms-box").hidden = count === 0;
}

function drawBar(fraction, g) {
  const bar = element("stock-bar");
  bar.hidden = fraction === null;
  if (fraction === null) {
    return;
  }
  element("stock-water").style.width = `${(100 * Math.max(0, Math.min(1, fraction))).toFixed(1)}%`;
  const key = JSON.stringify([g.refill, g.fill]);
  if (bar.dataset.shown !== key) {
    bar.dataset.shown = key;
    bar.querySelectorAll(".bar-mark").forEach((mark) => mark.remove());
    for (const at of [g.refill, g.fill]) {
      if (at !== null) {
        const mark = made("span", undefined, "bar-mark");
        mark.style.left = `${(100 * at).toFixed(1)}%`;
        bar.append(mark);
      }
    }
  }
}

function showValve(r, age) {
  const state = element("valve-state");
  const isOld = age !== null;
  const known = isOld ? "unknown" : r.valve.state;
  state.dataset.state = known;
  element("gate").dataset.state = known;
  write(state, STATES[known] ?? known);
  const phase = r.glance.idle_because_full ? "the reservoir is full" : r.valve.phase_words;
  let words = phase;
  if (isOld) {
    words = `${ago(age.received / 1000)} it was ${STATES[r.valve.state] ?? r.valve.state}, ${phase}`;
  } else if (!r.link) {
    words = "the controller shuts it by itself when the bridge is away";
  }
  write(element("valve-phase"), words);
  write(element("valve-why"), isOld ? `At ${age.time}: ${r.valve.why}` : r.valve.why);
  showSequence(r, isOld);
  showPermissives(r);
  const parts = [];
  if (r.fill.volume !== null && r.valve.phase !== "idle") {
    parts.push(`This fill: ${r.fill.volume} in ${r.fill.minutes} min.`);
  }
  if (r.fill.today !== null) {
    parts.push(`Today: ${r.fill.today}.`);
  }
  write(element("fill"), parts.join(" "));
}

function showSequence(r, isOld) {
  const list = element("sequence");
  const key = `${r.valve.phase} ${isOld}`;
  if (list.dataset.shown === key) {
    return;
  }
  list.dataset.shown = key;
  list.replaceChildren(
    ...SEQUENCE.map(([phase, word]) => {
      const item = made("li", word);
      if (!isOld && phase === r.valve.phase) {
        item.setAttribute("aria-current", "step");
      }
      return item;
    }),
  );
}

// A full reservoir needs no water, and without a link nobody knows: neither is a fault of its own.
function stateOf(one, g) {
  if (g.unknown.includes(one.id)) {
    return ["unsure", "? not known"];
  }
  if (one.holds) {
    return ["holds", "✓ holds"];
  }
  return one.id === "below-fill-mark" && g.idle_because_full ? ["resting", "– full"] : ["missing", "✗ missing"];
}

function showPermissives(r) {
  const states = r.valve.permissives.map((one) => [one, ...stateOf(one, r.glance)]);
  const missing = states.filter(([, kind]) => kind === "missing").length;
  const unsure = states.filter(([, kind]) => kind === "unsure").length;
  let sum = missing === 0 ? "Every permissive holds." : `${missing} of ${states.length} permissives missing.`;
  if (unsure > 0) {
    sum = `${sum === "Every permissive holds." ? "" : `${sum} `}${unsure} are not known without the controller.`;
  } else if (missing === 0 && r.glance.idle_because_full) {
    sum = "No permissive is missing. The reservoir is full, so it needs no water.";
  }
  write(element("permissives-sum"), sum);
  const list = element("permissives");
  const shown = JSON.stringify(states.map(([one, kind]) => [one.id, kind]));
  if (list.dataset.shown !== shown) {
    list.dataset.shown = shown;
    const rank = { missing: 0, unsure: 1, resting: 2, holds: 3 };
    list.replaceChildren(
      ...states
        .sort(([, one], [, other]) => rank[one] - rank[other])
        .map(([one, kind, word]) => {
          const item = made("li");
          item.append(made("span", word, `word ${kind}`), made("span", one.label));
          return item;
        }),
    );
  }
}

function showStock(r, age) {
  const { ppm, uncertainty, overflow, zone } = r.reservoir;
  const old = ageOf(r, age);
  terms(element("stock"), [
    ["Reservoir", r.glance.held === null ? "not known" : `${r.glance.held}, ${r.reservoir.basis_words}`],
    ["Estimated", ppm === null ? null : `${ppm} ${uncertainty ?? ""}`.trim()],
    ["Over its limit", r.use.over_limit === null ? null : `probability ${r.use.over_limit}`],
    ["Level", zone === "unknown" ? "not known" : `${zone}${old ? `, ${old}` : ""}`],
    ["Overflow float", overflow === null ? null : `${overflow ? "UP" : "down"}${old ? `, ${old}` : ""}`],
  ]);
}

function lifeOf(p) {
  if (p.days !== null) {
    return `${p.days}`;
  }
  return p.litres === null ? "not known yet" : `about ${p.litres} left`;
}

function showPurifier(r) {
  const p = r.purifier;
  // Without a lower end the purifier lasts beyond the horizon, or its life is not known.
  const interval = p.days_low === null ? null : { low: p.days_low, high: p.days_high, middle: p.days_median };
  const far = interval === null ? 0 : Math.max(interval.high ?? interval.low * 1.5, p.days_median ?? 0, 1);
  drawLine(element("life-line"), interval, far * 1.15, [{ at: 0, text: "now", name: "edge" }]);
  terms(element("purifier"), [
    ["Purifier", p.days === null ? null : `${p.days}, an 80 % interval`],
    ["Likely", p.days_median === null ? null : `${p.days_median.toFixed(p.days_median < 3 ? 1 : 0)} days`],
    ["Still produces", p.litres],
    ["Has treated", p.treated],
    ["Load", p.load],
    ["Rejection", p.rejection],
  ]);
}

function showProduct(r, age) {
  const p = r.product;
  const [limit, target, half] = [p.limit_number, p.target_number, p.uncertainty_number ?? 0];
  const value = p.number;
  const interval = value === null ? null : { low: Math.max(0, value - half), high: value + half, middle: value };
  drawLine(element("product-line"), interval, Math.max(limit * 1.25, ((value ?? 0) + half) * 1.05), [
    { at: target, text: "target", name: "target" },
    { at: limit, text: "limit", name: "limit" },
  ]);
  const old = ageOf(r, age);
  const exact = p.text === null ? null : `${p.text} ${p.uncertainty ?? ""}`.trim();
  const water = r.glance.water ?? "not known";
  terms(element("product-facts"), [
    ["Product", `${water}, ${old || r.product.state_words}`],
    ["Measured", exact],
    ["Limit", p.limit],
    ["Target", `under ${p.target}`],
    ["Scale", p.scale],
    ["Temperature", p.temperature],
    ["Probe", r.link ? p.health : "not known without the controller"],
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
  for (const when of list.querySelectorAll("[data-raised]")) {
    write(when, ago(Number(when.dataset.raised)));
  }
  const key = JSON.stringify([r.id, r.alarms, r.glance.cards, r.valve.trips.map((trip) => trip.id)]);
  if (list.dataset.shown === key) {
    return;
  }
  list.dataset.shown = key;
  announce(r);
  const focused = document.activeElement?.dataset?.act;
  list.replaceChildren(...r.glance.cards.map((card) => alarmCard(card, r)));
  if (focused !== undefined) {
    // Keyboard focus stays on the same button, or moves to the heading if the button is gone.
    const again = list.querySelector(`[data-act="${CSS.escape(focused)}"]`);
    (again ?? element("alarms-head")).focus();
  }
}
