// Draws an uncertain quantity as an interval on a line from zero. The words beside it contain the same.
import { made } from "./dom.js";

function placed(className, at, most, text) {
  const node = made("span", undefined, className);
  node.style.left = `${Math.max(0, Math.min(100, (100 * at) / most)).toFixed(2)}%`;
  if (text !== undefined) {
    node.append(made("span", text, at > most / 2 ? "label before" : "label"));
  }
  return node;
}

// interval: {low, high (null: open), middle}; marks: [{at, text, name}], drawn across the line.
export function drawLine(box, interval, most, marks) {
  const key = JSON.stringify([interval, most, marks]);
  if (box.dataset.shown === key) {
    return;
  }
  box.dataset.shown = key;
  box.hidden = interval === null;
  box.replaceChildren();
  if (interval === null) {
    return;
  }
  const part = placed(interval.high === null ? "stretch open" : "stretch", interval.low, most);
  const width = (100 * (Math.min(interval.high ?? most, most) - Math.max(0, interval.low))) / most;
  part.style.width = `${Math.max(0.8, width).toFixed(2)}%`;
  box.append(part);
  if (interval.middle !== null && interval.middle !== undefined) {
    box.append(placed("middle", interval.middle, most));
  }
  for (const { at, text, name } of marks) {
    box.append(placed(`cross ${name}`, at, most, text));
  }
}
