// Fields bound to a JSON document by JSON Pointer: `data-at` says where, `data-as` how what is typed becomes JSON.

import { above, at, means, put } from "./pointers.js";
import { typed, written } from "./units.js";

// What is no number goes to the service as it was typed, and the service says so.
const number = (text) => {
  const value = typed(text);
  return value === null ? undefined : Number.isNaN(value) ? text : value;
};
const sheet = (text) => {
  const [thickness, count] = text.split(/[x×*]/);
  return count === undefined ? number(thickness) : { thickness: number(thickness), count: number(count) };
};
const KINDS = {
  text: { read: (text) => (text === "" ? undefined : text), write: (value) => value ?? "" },
  number: { read: number, write: written },
  // sheets of shim, parted by spaces or semicolons, each with its count if that is known: 0.05 0.1×6
  stock: {
    read: (text) => (text.trim() === "" ? undefined : text.trim().replace(/\s*[x×*]\s*/g, "×").split(/[\s;]+/).map(sheet)),
    write: (value) => (Array.isArray(value) ? value.map(sheetWritten).join("  ") : written(value)),
  },
};

/** The fields under an element. `changed(pointer)` is called after each change of the document. */
export class Form {
  constructor(root, changed) {
    this.root = root;
    this.changed = changed;
    this.document = {};
    root.addEventListener("input", ({ target }) => this.#take(target));
    root.addEventListener("submit", (event) => event.preventDefault());
  }

  /** Show a document in the fields; a field that already says the same is left as it was typed. */
  fill(document) {
    this.document = document;
    for (const field of this.root.querySelectorAll("[data-at]")) {
      const value = at(document, field.dataset.at);
      if (field.type === "radio") {
        field.checked = field.value === (value ?? field.dataset.default);
      } else if (field.tagName === "SELECT") {
        field.value = value ?? field.dataset.default;
      } else {
        const kind = KINDS[field.dataset.as];
        if (JSON.stringify(kind.read(field.value)) !== JSON.stringify(value ?? undefined)) field.value = kind.write(value);
      }
    }
  }

  /** Show sentences by pointer, each at its field, or else at the nearest part of the page that holds it. */
  show(faults) {
    for (const old of document.querySelectorAll("[data-fault]")) old.remove();
    for (const field of this.root.querySelectorAll("[aria-invalid]")) {
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
    for (const [pointer, said] of faults) this.#say(pointer, said.join(" "));
  }

  #say(pointer, text) {
    const [field, place] = this.#place(pointer);
    const told = document.createElement("p");
    told.className = "wrong";
    told.dataset.fault = pointer;
    told.id = `fault${pointer.replaceAll(/[^\w]/g, "-")}`;
    if (field) {
      const label = field.closest("fieldset")?.querySelector("legend") ?? field.labels[0];
      told.append(Object.assign(document.createElement("strong"), { textContent: `${nameOf(label)}:` }));
      if (field.hasAttribute("aria-invalid")) return; // one screw shown for all: it is wrong in each of them
      field.setAttribute("aria-invalid", "true");
      field.setAttribute("aria-describedby", told.id);
    }
    told.append(Object.assign(document.createElement("span"), { textContent: text, lang: "en" })); // the service's own words
    for (let holder = place.closest("details"); holder; holder = holder.parentElement.closest("details")) holder.open = true;
    if (field) place.after(told);
    else place.append(told);
  }

  #place(pointer) {
    for (let here = pointer; ; here = above(here)) {
      const field = [...this.root.querySelectorAll("[data-at]")].find(
        (one) => means(one.dataset.at, here) || (here === pointer && one.dataset.at.startsWith(`${here}/`) && one.dataset.at.endsWith("/0")),
      );
      if (field) return [field, field.closest(".field, fieldset")];
      const part = [...document.querySelectorAll("[data-faults]")].find((one) => means(one.dataset.faults, here));
      if (part) return [null, part];
    }
  }

  #take(field) {
    if (!("at" in field.dataset)) return;
    const value = KINDS[field.dataset.as ?? "text"].read(field.value);
    put(this.document, field.dataset.at, value);
    this.changed(field.dataset.at);
  }
}

/** Return a row of fields from a <template>, "@" in its pointers standing for `pointer`. */
export function row(template, pointer) {
  const made = document.getElementById(template).content.firstElementChild.cloneNode(true);
  for (const name of ["at", "faults"]) {
    for (const part of made.querySelectorAll(`[data-${name}]`)) {
      part.dataset[name] = part.dataset[name].replace("@", pointer);
      if (part.type === "radio") part.name = part.dataset.at;
    }
  }
  return made;
}

// The words of a label without the unit that stands behind them.
function nameOf(label) {
  return label.firstChild.textContent.trim();
}

function sheetWritten(one) {
  return typeof one === "object" && one !== null ? `${written(one.thickness)}×${written(one.count)}` : written(one);
}
