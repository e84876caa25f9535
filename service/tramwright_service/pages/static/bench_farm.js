// A job at a machine of the farm: its surveys are stored when the person says so, and with them the moves really made.
//
// What is to be stored follows from the job's entries, and what is stored already stands in `job.filed`; so a lost
// connection, a reload or a service started again loses nothing, and the Idempotency-Key lets nothing be stored twice.

import { NoAnswer, Refused } from "./api.js";
import { LONGEST_WAIT } from "./asking.js";
import { button, el } from "./dom.js";
import { sent, stateOf } from "./job.js";
import { unitsOf } from "./lengths.js";
import { say } from "./messages.js";
import { recordMoves, storeSurvey } from "./stored.js";
import { converted } from "./units.js";

/** The survey is complete: the person says whether it is stored, since what is stored cannot be changed any more. */
export function storeScreen({ job, answer, enter }) {
  return {
    key: `store ${answer.says}`,
    node: el("section", {},
      el("h2", {}, say("bench.storing-title")),
      el("p", { class: "says", lang: "en" }, answer.says),
      el("p", {}, say("bench.store-as", { name: job.farm.id })),
      button(say("bench.store-it"), () => enter({ do: "store" }), { class: "main wide" }),
      button(say("bench.go-on-unstored"), () => enter({ do: "unstored" }), { class: "wide" })),
    focus: "button.main",
  };
}

/** Return whether the person is to be asked whether the survey just read is stored. */
export function asksToStore({ job, state }) {
  return Boolean(job.farm) && !state.survey.store && !state.done.length;
}

/** Sends what is to be stored, one after the other, until all of it is. */
export class Filing {
  /** `filed(key, name, what)` keeps what was stored, `told()` hears that something has changed. */
  constructor({ filed, told }) {
    Object.assign(this, { filed, told, open: new Map(), refused: new Map(), wait: 250 });
    window.addEventListener("online", () => this.#go());
  }

  /** Look through a job for what is to be stored. */
  look(key, job) {
    if (!job?.farm) return;
    this.open.set(key, job);
    this.#go();
  }

  /** Return how storing the last survey of a job stands, "" where there is nothing to say. */
  says(key, job) {
    const last = job?.farm && storing(key, job).at(-1);
    if (!last) return "";
    const { name, moves } = last;
    if (this.refused.has(name)) return `${say("bench.not-stored")}: ${this.refused.get(name)}`;
    const done = job.filed?.[name];
    if (!done || due(key, job, this.refused)) return say("bench.to-store");
    if (done.version !== job.farm.version) {
      return say("bench.other-version", { name: job.farm.id, version: done.version });
    }
    return say(moves.length ? "bench.stored-moves" : "bench.stored-as", { number: done.number });
  }

  async #go() {
    if (this.busy) return;
    this.busy = true;
    clearTimeout(this.timer);
    try {
      for (const [key] of this.open) {
        for (let next; (next = due(key, this.open.get(key), this.refused)); ) {
          await this.#send(key, next);
          this.wait = 250;
        }
        this.open.delete(key);
      }
    } catch (error) {
      if (!(error instanceof NoAnswer || error instanceof Refused)) throw error;
      this.timer = setTimeout(() => this.#go(), Math.max(this.wait, 1000 * (error.after ?? 0)));
      this.wait = Math.min(2 * this.wait, LONGEST_WAIT);
    } finally {
      this.busy = false;
      this.told();
    }
  }

  async #send(key, { id, name, survey, number, version, moves }) {
    try {
      if (survey) {
        const stored = await storeSurvey(id, survey, name);
        this.filed(key, name, { number: stored.number, version: stored.version, moves: "[]" });
      } else {
        await recordMoves(id, number, moves);
        this.filed(key, name, { number, version, moves: JSON.stringify(moves) });
      }
    } catch (error) {
      if (!(error instanceof Refused) || error.passing) throw error;
      this.refused.set(name, error.message);
    }
  }
}

/** Return the surveys of a job that are to be stored, each with its key and the moves made after it. */
function storing(key, job) {
  const [from, to] = [unitsOf(job.machine), job.farm.units];
  return stateOf(job).surveys.flatMap((survey, index) => {
    if (survey.store !== "store") return [];
    const net = new Map();
    for (const { adjuster, travel } of survey.done) net.set(adjuster, (net.get(adjuster) ?? 0) + (travel ?? 0));
    const moves = [...net].map(([adjuster, travel]) => ({ adjuster, travel: converted(travel, from, to) }));
    // read again after it was stored, it is another survey: so the time of its last reading is part of its key
    return [{ name: `bench-${key}-${index + 1}-${survey.last}`, survey, moves, from, to }];
  });
}

/** Return what is to be sent next, undefined where all is stored. */
function due(key, job, refused) {
  for (const { name, survey, moves, from, to } of storing(key, job)) {
    const done = job.filed?.[name];
    if (refused.has(name)) continue;
    if (!done) return { id: job.farm.id, name, survey: inUnits(sent(survey), from, to) };
    if (done.moves !== JSON.stringify(moves)) return { id: job.farm.id, name, ...done, moves };
  }
  return undefined;
}

function inUnits(survey, from, to) {
  const length = (value) => (Array.isArray(value) ? value.map(length) : converted(value, from, to));
  const readings = survey.readings.map(({ x, y, value, ...more }) => ({ x: length(x), y: length(y), value: length(value), ...more }));
  return { ...survey, readings };
}
