// Elements made from data. Text is always text: nothing that was typed or answered is ever read as markup.

/** Return a new element; attributes that are functions listen to the event of their name, `false` and null are left out. */
export function el(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(key, value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...children.flat(2).filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Return a button. */
export function button(text, click, attributes = {}) {
  return el("button", { type: "button", click, ...attributes }, text);
}
