// The access key of this browser. It is kept under one name, sent as a bearer token (RFC 6750), and never put into a URL.

import { button, el } from "./dom.js";
import { say } from "./messages.js";

const NAME = "tramwright.key";
const opener = document.getElementById("key");
let own = null; // of this page alone: a card's, or where the browser keeps nothing
let asking = null;
let later = false;

/** Return the key, null where there is none. */
export function key() {
  try {
    return own ?? localStorage.getItem(NAME);
  } catch {
    return own;
  }
}

/** Keep a key; null forgets it. One that is not `lasting` is known to this page alone, as long as it is open. */
export function keep(given, { lasting = true } = {}) {
  own = lasting ? null : given;
  try {
    if (given === null) localStorage.removeItem(NAME);
    else if (lasting) localStorage.setItem(NAME, given);
  } catch {
    own = given;
  }
}

/** Return the headers that a request is sent with. */
export function credentials() {
  return key() ? { authorization: `Bearer ${key()}` } : {};
}

/**
 * The service refused a request sent with `used` for want of a valid key: ask the person for one, once for all requests
 * that wait for it. Return whether there is another key to try; whoever says "not now" is not asked again by this page.
 */
export async function another(used, why) {
  if (key() !== used) return true;
  if (opener) opener.hidden = false;
  if (later || document.documentElement.dataset.keys === "quiet") return false;
  asking ??= ask(why).finally(() => { asking = null; });
  return asking;
}

function ask(why) {
  return new Promise((answer) => {
    const field = el("input", {
      id: "key-field", type: "password", autocomplete: "off", spellcheck: "false", required: true, "aria-describedby": "key-why",
    });
    const end = (given) => {
      if (given !== undefined) keep(given);
      later = given === undefined;
      dialog.close();
      dialog.remove();
      answer(Boolean(given));
    };
    const take = (event) => {
      event.preventDefault();
      end(field.value.trim());
    };
    const dialog = el("dialog", { class: "asking", "aria-labelledby": "key-title", cancel: () => end() },
      el("form", { submit: take },
        el("h2", { id: "key-title" }, say("shared.key-title")),
        why ? el("p", { class: "wrong", lang: "en" }, why) : null,
        el("label", { for: "key-field" }, say("shared.key")), field,
        el("p", { id: "key-why", class: "faint" }, say("shared.key-why")),
        el("div", { class: "actions" },
          el("button", { class: "main" }, say("shared.key-take")),
          key() ? button(say("shared.key-forget"), () => end(null)) : null,
          button(say("shared.key-later"), () => end()))));
    document.body.append(dialog);
    dialog.showModal();
  });
}

if (opener) opener.hidden = key() === null;
opener?.addEventListener("click", async () => {
  await ask("");
  location.reload();
});
