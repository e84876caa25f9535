// Documents kept in this browser. Each is one JSON document with its version; the server keeps none of them.

/** What is kept cannot be read: it is damaged, or a newer page wrote it. It is left as it is. */
export class Unreadable extends Error {}

/** The browser takes no more, or keeps nothing at all. */
export class NotKept extends Error {}

const PREFIX = "tramwright";
const NOWHERE = {
  length: 0, key: () => null, getItem: () => null, removeItem() {}, setItem() { throw new Error("nothing is kept"); },
};
const storage = usable() ?? NOWHERE;

function usable() {
  try {
    return window.localStorage;
  } catch {
    return null; // the person lets pages keep nothing
  }
}

/**
 * The documents of one kind.
 *
 * `upgrades[n]` turns the content of version n into that of version n + 1; a document of an older version passes
 * through all that follow when it is read, and is kept in the new form when it is next written.
 */
export class Shelf {
  constructor(kind, version = 1, upgrades = {}) {
    this.kind = kind;
    this.version = version;
    this.upgrades = upgrades;
  }

  /** Return a key that no document has. */
  fresh() {
    const [a, b] = crypto.getRandomValues(new Uint32Array(2));
    return Date.now().toString(36) + a.toString(36) + b.toString(36);
  }

  /** Return [{key, changed}] of all documents, the one changed last first. */
  list() {
    const found = [];
    for (let i = 0; i < storage.length; i += 1) {
      const name = storage.key(i);
      if (name.startsWith(this.#name(""))) {
        const kept = parsed(storage.getItem(name));
        found.push({ key: name.slice(this.#name("").length), changed: kept?.changed ?? "" });
      }
    }
    return found.sort((one, other) => (one.changed < other.changed ? 1 : -1));
  }

  /** Return the content of a document; null if there is none. Throws Unreadable. */
  read(key) {
    const text = storage.getItem(this.#name(key));
    if (text === null) return null;
    const kept = parsed(text);
    if (!kept || !Number.isInteger(kept.version) || kept.version > this.version) throw new Unreadable(key);
    let { content } = kept;
    for (let version = kept.version; version < this.version; version += 1) content = this.upgrades[version](content);
    return content;
  }

  /** Keep a document. Throws NotKept. */
  write(key, content) {
    const kept = { version: this.version, changed: new Date().toISOString(), content };
    try {
      storage.setItem(this.#name(key), JSON.stringify(kept));
    } catch (error) {
      throw new NotKept(String(error));
    }
  }

  /** Forget a document. */
  remove(key) {
    storage.removeItem(this.#name(key));
  }

  /** Key of the document that was open last, or null. */
  get current() {
    return storage.getItem(`${PREFIX}.current.${this.kind}`);
  }

  set current(key) {
    try {
      storage.setItem(`${PREFIX}.current.${this.kind}`, key);
    } catch {
      // the documents are there all the same: another one may be open first
    }
  }

  #name(key) {
    return `${PREFIX}.${this.kind}.${key}`;
  }
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}

/** The machines described in this browser; the content of each is the API's own description of a machine. */
export const machines = new Shelf("machine", 1);
