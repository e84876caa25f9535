// Opens a machine of the farm into this browser, and stores the one that is open here.

import { NoAnswer, Refused } from "./api.js";
import { button, el } from "./dom.js";
import { say } from "./messages.js";
import { NotKept, Shelf, Unreadable, machines } from "./store.js";
import { chooser, opened, store } from "./stored.js";

/** What this browser knows of the farm's copy of a machine: its version, and the description that was then alike. */
const copies = new Shelf("stored", 1);

export class Keeping {
  /** `start(content)` opens a description beside the others here and returns its key. */
  constructor(place, { start, trouble }) {
    Object.assign(this, { start, trouble });
    this.state = el("p", { id: "stored-state", role: "status" });
    this.told = el("div", { id: "conflict", class: "wrong", role: "alert", hidden: true });
    this.button = button(say("machine.store"), () => this.#store(), { id: "store" });
    place.append(chooser((id) => this.open(id)), this.button, this.state, this.told);
    place.hidden = false;
  }

  /** Show whether what is open is stored as it is. */
  show(key, machine) {
    if (key !== this.key) this.told.hidden = true;
    Object.assign(this, { key, machine });
    const copy = this.#copy();
    const same = copy?.text === JSON.stringify(machine);
    const word = copy ? (same ? "stored-version" : "stored-changed") : "not-stored";
    this.state.textContent = say(`machine.${word}`, copy ?? {});
    this.button.classList.toggle("main", !same);
  }

  /** Open a machine of the farm; where it is open here already and unchanged, that one is replaced by it. */
  async open(id) {
    await this.#asked(async () => {
      const record = await opened(id);
      const key = this.start(record.machine, this.#unchanged(id));
      this.#keep(key, record.machine, record);
      this.show(key, record.machine);
    }, { 404: say("machine.no-such", { name: id }) });
  }

  async #store() {
    const { key, machine } = this;
    const { id } = machine;
    if (!id) {
      this.trouble(say("machine.needs-name"));
      return;
    }
    const copy = this.#copy();
    await this.#asked(async () => {
      try {
        this.#keep(key, machine, { ...copy, ...(await store(machine, copy ?? {}, copy?.tag)) });
      } catch (error) {
        if (!(error instanceof Refused) || error.status !== 412) throw error;
        const { machine: theirs, ...record } = await opened(id);
        if (!alike(theirs, machine)) {
          this.#conflict(key, machine, Boolean(copy));
          return;
        }
        this.#keep(key, machine, record); // it was stored, and the answer was lost
      }
      this.show(this.key, this.machine);
    });
  }

  // Somebody else was first: both are shown to the person, who decides.
  #conflict(key, machine, known) {
    const over = async () => {
      const { machine: theirs, ...record } = await opened(machine.id);
      this.#keep(key, theirs, record);
      this.told.hidden = true;
      if (this.key === key) await this.#store();
    };
    this.told.replaceChildren(
      el("p", {}, say(known ? "machine.conflict" : "machine.taken", { name: machine.id })),
      el("div", { class: "actions" },
        button(say("machine.open-theirs"), () => this.open(machine.id)),
        button(say("machine.overwrite"), () => this.#asked(over))));
    this.told.hidden = false;
  }

  /** Return the key of what is here of a stored machine and was not changed here; undefined where there is none. */
  #unchanged(id) {
    return copies.list().map(({ key }) => key).find((key) => {
      try {
        const copy = copies.read(key);
        return copy?.id === id && copy.text === JSON.stringify(machines.read(key));
      } catch (error) {
        if (error instanceof Unreadable) return false;
        throw error;
      }
    });
  }

  #copy() {
    try {
      const copy = copies.read(this.key);
      return copy && copy.id === this.machine.id ? copy : null; // under another name it is another machine
    } catch (error) {
      if (error instanceof Unreadable) return null;
      throw error;
    }
  }

  #keep(key, machine, { tag, version, site, tags, check_every, solve }) {
    const copy = { id: machine.id, tag, version, site, tags, check_every, solve, text: JSON.stringify(machine) };
    try {
      copies.write(key, copy);
    } catch (error) {
      if (!(error instanceof NotKept)) throw error;
      this.trouble(say("shared.not-kept"));
    }
  }

  async #asked(work, words = {}) {
    this.trouble("");
    this.button.disabled = true;
    try {
      await work();
    } catch (error) {
      if (error instanceof NoAnswer) this.trouble(say("machine.store-away"));
      else if (error instanceof Refused) this.trouble(words[error.status] ?? [...error.faults().values()].flat().join(" "));
      else throw error;
    } finally {
      this.button.disabled = false;
    }
  }
}

// Whatever the order of their members, which JSON gives no meaning.
function alike(one, other) {
  const ordered = (_, node) => (node?.constructor === Object ? Object.fromEntries(Object.entries(node).sort()) : node);
  return JSON.stringify(one, ordered) === JSON.stringify(other, ordered);
}

/** Forget what is known of the farm's copy of a machine that is no longer kept here. */
export function forget(key) {
  copies.remove(key);
}
