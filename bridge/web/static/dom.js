// Helpers. Text is always inserted as text, so that a name cannot become markup.

export function element(id) {
  return document.getElementById(id);
}

// Sets a text only if it is different, because a screen reader announces each change.
export function write(node, text) {
  if (node.textContent !== text) {
    node.textContent = text;
  }
}

// The same, but no line breaks within a date such as "Sat 2026-12-05" or "2026-12-05".
export function writeDates(node, text) {
  if (node.textContent !== text) {
    const parts = text.split(/((?:[A-Z][a-z]{2} )?\d{4}-\d{2}-\d{2}[.,;]?)/);
    node.replaceChildren(...parts.map((part, at) => (at % 2 ? made("span", part, "whole") : part)));
  }
}

export function made(tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined) {
    node.textContent = text;
  }
  if (className) {
    node.className = className;
  }
  return node;
}

// Shows a list of [term, text]; entries without a text are left out.
export function terms(list, pairs) {
  const key = JSON.stringify(pairs);
  if (list.dataset.shown === key) {
    return;
  }
  list.dataset.shown = key;
  list.replaceChildren();
  for (const [term, text] of pairs) {
    if (text !== null && text !== undefined && text !== "") {
      const pair = made("div");
      const said = made("dd");
      writeDates(said, text);
      pair.append(made("dt", term), said);
      list.append(pair);
    }
  }
}

function two(number) {
  return String(number).padStart(2, "0");
}

export function day(at) {
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
}

export function clock(at) {
  return `${two(at.getHours())}:${two(at.getMinutes())}`;
}

// Date and time with 24 hours, which nobody can misread.
export function moment(seconds) {
  const at = new Date(seconds * 1000);
  return `${day(at)} ${clock(at)}`;
}

// How long ago a moment was, in words.
export function ago(seconds) {
  const passed = Math.max(0, Date.now() / 1000 - seconds);
  if (passed < 90) {
    return passed < 10 ? "a moment ago" : `${Math.round(passed)} seconds ago`;
  }
  if (passed < 90 * 60) {
    return `${Math.round(passed / 60)} minutes ago`;
  }
  return passed < 36 * 3600 ? `${Math.round(passed / 3600)} hours ago` : `on ${moment(seconds)}`;
}
