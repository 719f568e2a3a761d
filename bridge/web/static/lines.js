// An uncertain quantity as a stretch between two ends on a line from nought. Words beside it say the same.
import { made } from "./dom.js";

// The ends of "12 to 19 days", "± 1.2 ppm", "12 days or more"; an end that is open is null.
export function ends(text) {
  const numbers = (text ?? "").match(/[0-9]+([.][0-9]+)?/g)?.map(Number) ?? [];
  if (numbers.length === 0) {
    return null;
  }
  const isOpen = /more/.test(text);
  return { low: numbers[0], high: isOpen ? null : numbers.at(-1) };
}

export function number(text) {
  return ends(text)?.low ?? null;
}

function placed(className, at, most, text) {
  const node = made("span", undefined, className);
  node.style.left = `${Math.max(0, Math.min(100, (100 * at) / most)).toFixed(2)}%`;
  if (text !== undefined) {
    node.append(made("span", text, at > most / 2 ? "label before" : "label"));
  }
  return node;
}

// stretch: {low, high (null: open), middle}; marks: [{at, text, name}], drawn across the line.
export function drawLine(box, stretch, most, marks) {
  const key = JSON.stringify([stretch, most, marks]);
  if (box.dataset.shown === key) {
    return;
  }
  box.dataset.shown = key;
  box.hidden = stretch === null;
  box.replaceChildren();
  if (stretch === null) {
    return;
  }
  const part = placed(stretch.high === null ? "stretch open" : "stretch", stretch.low, most);
  const width = (100 * (Math.min(stretch.high ?? most, most) - Math.max(0, stretch.low))) / most;
  part.style.width = `${Math.max(0.8, width).toFixed(2)}%`;
  box.append(part);
  if (stretch.middle !== null && stretch.middle !== undefined) {
    box.append(placed("middle", stretch.middle, most));
  }
  for (const { at, text, name } of marks) {
    box.append(placed(`cross ${name}`, at, most, text));
  }
}
