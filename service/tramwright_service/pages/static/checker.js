// Has the service look through a machine as it stands, and shows its faults at their fields in the service's own words.

import { NoAnswer, Refused, post } from "./api.js";
import { say } from "./messages.js";
import { solverName } from "./templates.js";

const PAUSE = 300; // ms without a change after which the service is asked
const AGAIN = 4000; // ms after which it is asked again where it does not answer

/** Shows faults in a form, and in an element what can be adjusted; its `data-asked` is true until the answer is there. */
export class Checker {
  constructor(form, standing) {
    this.form = form;
    this.standing = standing;
    this.timer = 0;
    this.asked = new AbortController();
  }

  /** Ask when nothing has changed for a while. */
  askSoon(machine, bed) {
    this.#wait(machine, bed, PAUSE);
  }

  /** Ask now: a survey of the bed's corners that finds nothing is answered at once, or refused for the machine's faults. */
  async ask(machine, bed) {
    clearTimeout(this.timer);
    this.standing.dataset.asked = true;
    this.asked.abort();
    this.asked = new AbortController();
    const readings = bed.x.flatMap((x) => bed.y.map((y) => ({ x, y, value: 0 })));
    try {
      const answer = await post("/v1/corrections", { machine, survey: { readings } }, { signal: this.asked.signal });
      this.form.show(new Map());
      this.#say(Object.keys(answer.solver_versions).map(solverName).join(", "), true);
    } catch (error) {
      if (error instanceof NoAnswer || error.passing || error.shut) {
        this.#say(error instanceof NoAnswer ? say("shared.no-answer") : error.message, false);
        this.#wait(machine, bed, Math.max(AGAIN, 1000 * (error.after ?? 0)));
      } else if (error instanceof Refused) {
        this.#refused(error);
      } else if (error.name !== "AbortError") {
        throw error;
      }
    }
  }

  #refused(error) {
    const faults = [...error.faults()].filter(([pointer]) => pointer === "" || pointer.startsWith("/machine"));
    this.form.show(new Map(faults.map(([pointer, said]) => [pointer.replace("/machine", ""), said])));
    this.#say(say("machine.faults", { n: faults.length }), false);
  }

  #wait(machine, bed, pause) {
    this.standing.dataset.asked = pause === PAUSE;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.ask(machine, bed), pause);
  }

  #say(text, good) {
    this.standing.textContent = text;
    this.standing.dataset.good = good;
    this.standing.dataset.asked = false;
    document.getElementById("to-fault").hidden = !document.querySelector("[data-fault]");
  }
}
