// The words of the page in its language: they come with the page, from one file for each language.

const words = JSON.parse(document.getElementById("words").textContent);

/** Language of the page, as "en". */
export const language = document.documentElement.lang;

/** What the server gave this page to start from. */
export const data = JSON.parse(document.getElementById("data").textContent);

/** Return the text of a key, as "shared.saved", with the values put in for its {names}. */
export function say(key, values = {}) {
  const [section, word] = key.split(".");
  const text = words[section][word];
  return text.replace(/\{(\w+)\}/g, (_, name) => String(values[name]));
}

/** Return whether there is a text of this key: for words that the server may come to use and the page not know. */
export function has(key) {
  const [section, word] = key.split(".");
  return word in words[section];
}
