// Asks the service until it answers. A request that was lost is sent again, so losing the service loses nothing.

import { NoAnswer, Refused, post } from "./api.js";

/** Longest time between two attempts, in ms. */
export const LONGEST_WAIT = 8000;

/**
 * One question at a time: a new one takes the place of the one before.
 *
 * `told(state)` hears "asking", "answered" and "away"; `answered(key, answer)` gets the answer, or {problem} where the
 * service refuses what it was sent.
 */
export class Asking {
  constructor({ told, answered }) {
    this.told = told;
    this.answered = answered;
    this.key = null;
    this.away = false;
    window.addEventListener("online", () => this.again());
    window.addEventListener("offline", () => this.#lost());
  }

  /** Ask; nothing happens where `key` is what is being asked already. */
  ask(key, path, body) {
    if (key === this.key) return;
    this.stop();
    Object.assign(this, { key, path, body, wait: 250 });
    this.#send();
  }

  /** Ask for nothing any more. */
  stop() {
    clearTimeout(this.timer);
    this.request?.abort();
    if (this.key !== null && !this.away) this.told("answered");
    this.key = null;
  }

  /** Try again now. */
  again() {
    if (this.key === null) {
      this.#heard("answered");
    } else {
      clearTimeout(this.timer);
      this.wait = 250;
      this.#send();
    }
  }

  async #send() {
    this.request?.abort();
    const request = new AbortController();
    this.request = request;
    const { key } = this;
    if (!this.away) this.told("asking");
    let answer;
    try {
      answer = await post(this.path, this.body, { signal: request.signal });
    } catch (error) {
      if (error.name === "AbortError" || request !== this.request || key !== this.key) return;
      if (error instanceof NoAnswer || error.passing || error.shut) {
        this.shut = error.shut;
        this.#lost();
        this.timer = setTimeout(() => this.#send(), this.wait);
        this.wait = Math.min(this.wait * 2, LONGEST_WAIT);
        return;
      }
      if (!(error instanceof Refused)) throw error;
      answer = { problem: { detail: error.message, errors: error.problem.errors ?? [] } };
    }
    if (key !== this.key) return;
    this.key = null;
    this.#heard("answered");
    this.answered(key, answer);
  }

  #lost() {
    this.#heard("away");
  }

  #heard(state) {
    this.away = state === "away";
    this.shut &&= this.away;
    this.told(state);
  }
}
