// The dial's reading, typed with thumbs or on a keyboard: digits, one key for the sign, one to take it.

import { button, el } from "./dom.js";
import { say } from "./messages.js";
import { typed, unit, written } from "./units.js";

const MARK = written(0.5).at(1);
const ROWS = [["7", "8", "9"], ["4", "5", "6"], ["1", "2", "3"], ["0", MARK, "±"]];

/** Return what was typed with its sign turned. */
function turned(text) {
  const plain = text.trim();
  if (/^[-−]/.test(plain)) return plain.slice(1);
  return `−${plain.replace(/^\+/, "")}`;
}

/**
 * A field for one reading with its keys.
 *
 * `draft` is what was typed already, `changed(text)` hears of every key, `accept(value)` gets a finite number.
 */
export function keypad({ label, units, draft, changed, accept }) {
  const wrong = el("p", { class: "wrong", id: "reading-wrong", role: "alert" });
  const input = el("input", {
    class: "reading", id: "reading", inputmode: "none", autocomplete: "off", spellcheck: "false", enterkeyhint: "enter",
    "aria-describedby": "reading-wrong", maxlength: "24", input: () => edited(input.value), keydown: pressed,
  });
  input.value = draft;

  function edited(text) {
    input.value = text;
    wrong.textContent = "";
    input.removeAttribute("aria-invalid");
    changed(text);
  }

  function take() {
    const value = typed(input.value);
    if (value !== null && Number.isFinite(value)) {
      accept(value);
      return;
    }
    wrong.textContent = say(value === null ? "bench.nothing-typed" : "bench.no-number", { typed: input.value });
    input.setAttribute("aria-invalid", "true");
    input.focus();
  }

  function pressed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Enter") take();
    else if (event.key === "-" || event.key === "−") edited(turned(input.value));
    else if (event.key === "+") edited(input.value.replace(/^[-−]/, ""));
    else return;
    event.preventDefault();
  }

  // The field keeps the focus, so that keys and a keyboard can be used in turn.
  const key = (text, click, attributes = {}) =>
    button(text, click, { pointerdown: (event) => event.preventDefault(), ...attributes });
  const digits = ROWS.flat().map((text) =>
    text === "±"
      ? key("+/−", () => edited(turned(input.value)), { class: "sign", "aria-label": say("bench.turn-sign") })
      : key(text, () => edited(input.value + text)),
  );
  return el("div", { class: "keypad" },
    el("label", { for: "reading" }, label),
    el("div", { class: "dial" }, input, el("span", { class: "unit", "aria-hidden": "true" }, unit(units))),
    wrong,
    el("div", { class: "keys", role: "group", "aria-label": say("bench.keys") },
      digits,
      key("←", () => edited(input.value.slice(0, -1)), { class: "back", "aria-label": say("bench.delete") }),
      key(say("bench.enter"), take, { class: "main take" })),
  );
}
