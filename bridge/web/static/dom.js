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
      pair.append(made("dt", term), made("dd", text));
      list.append(pair);
    }
  }
}
