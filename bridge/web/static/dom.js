// Small helpers. Text goes in as text only, so that no name can ever become markup.

export function element(id) {
  return document.getElementById(id);
}

// Sets a text if it is another one: what did not change is not read out again.
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

// A list of [term, text]; what is null is left out.
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
