// The fields of a screw: its thread from a list, and a picture of which way to turn it. The server says which way.

import { row } from "./form.js";
import { unitsOf } from "./lengths.js";
import { data, say } from "./messages.js";
import { at, put } from "./pointers.js";
import { unit, written } from "./units.js";

const NONE = "none";
const TYPED = "typed";

/** The editor of the screw at a pointer, which may hold "*" for all supports alike. */
export class ScrewEditor {
  constructor(pointer, document, changed) {
    this.pointer = pointer;
    this.element = row("screw-editor", pointer);
    this.thread = this.element.querySelector("[data-thread]");
    this.arrow = this.element.querySelector("[data-arrow]");
    this.told = this.element.querySelector("[data-turning]");
    this.builds = this.element.querySelectorAll(`[data-at="${pointer}/build"]`);
    this.thread.append(...options(unitsOf(document)));
    this.thread.addEventListener("change", () => {
      const lead = data.threads[this.thread.value]?.[unitsOf(document)];
      if (this.thread.value === NONE) put(document, pointer, undefined);
      else if (lead !== undefined) put(document, `${pointer}/lead`, lead);
      else if (!at(document, pointer)) put(document, pointer, {});
      changed(`${pointer}/lead`);
    });
    for (const button of this.element.querySelectorAll("[data-tried]")) {
      button.addEventListener("click", () => {
        const screw = at(document, pointer) ?? {};
        put(document, `${pointer}/hand`, data.turns.find((turn) => fits(turn, { ...screw, hand: turn.hand }) && turn.hand && turn.raises === button.dataset.tried)?.hand);
        changed(`${pointer}/hand`);
      });
    }
  }

  /** Show what the document says beside the fields, which the form fills. */
  update(document) {
    const screw = at(document, this.pointer);
    const units = unitsOf(document);
    const leads = data.threads.map((thread) => same(thread[units], screw?.lead));
    const matching = leads.flatMap((yes, index) => (yes ? [String(index)] : []));
    if (!screw) this.thread.value = NONE;
    else if (matching.length === 1) [this.thread.value] = matching;
    else if (!matching.includes(this.thread.value)) this.thread.value = TYPED;
    for (const build of this.builds) build.dataset.default = screw?.turned_part ? "" : "lead-screw";
    const turn = data.turns.find((one) => fits(one, screw ?? {}));
    this.element.querySelector(".turning").hidden = !screw;
    this.element.querySelector(".told").hidden = !turn;
    if (!turn) return;
    this.arrow.setAttribute("href", `#turn-${turn.raises}`);
    this.told.textContent = say(`machine.raise-${turn.raises}-${turn.seen_from}`);
  }
}

function fits(turn, screw) {
  return ["hand", "turned_from", "build", "turned_part"].every((name) => turn[name] === (screw[name] ?? null));
}

function same(one, other) {
  return Math.abs(one - other) <= 1e-9 * one;
}

function options(units) {
  const made = [new Option(say("machine.thread-none"), NONE), new Option(say("machine.thread-typed"), TYPED)];
  const groups = new Map();
  data.threads.forEach((thread, index) => {
    if (!groups.has(thread.group)) {
      const group = document.createElement("optgroup");
      group.label = say(`machine.threads-${thread.group}`);
      groups.set(thread.group, group);
    }
    const lead = `${written(Number(thread[units].toPrecision(5)))} ${unit(units)}`;
    groups.get(thread.group).append(new Option(`${thread.name}: ${lead}`, String(index)));
  });
  return [...made, ...groups.values()];
}
