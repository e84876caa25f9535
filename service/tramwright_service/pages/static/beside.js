// What stands beside the screen: the machine in plan with its readings, and the service's map once there are enough.

import { post } from "./api.js";
import { el } from "./dom.js";
import { lastAt, nextStation } from "./job.js";
import { say } from "./messages.js";
import { PlanView } from "./plan_view.js";
import { signed } from "./units.js";

export class Beside {
  constructor(place) {
    this.place = place;
    this.plan = place.querySelector("svg");
    this.map = place.querySelector("img");
    this.list = place.querySelector("ol");
    this.view = null;
    this.mapped = "";
  }

  /** Draw the job: stations with what was read there; the next one is marked, or the step's adjuster and station. */
  draw(job, state, asked, step) {
    const survey = state.survey;
    this.place.hidden = !survey;
    if (!survey) return;
    const { machine } = job;
    const units = machine.units ?? "mm";
    const next = step?.park ?? nextStation(survey);
    const stations = (survey.stations ?? []).map(({ x, y }) => {
      const reading = lastAt(survey, { x, y });
      const state = next && next.x === x && next.y === y ? "next" : reading ? "read" : "open";
      return { x, y, label: reading ? signed(reading.values.at(-1), units) : "", state };
    });
    this.view ??= new PlanView(this.plan, { words: { front: say("shared.front"), place: ({ id }) => id } });
    const seats = machine.rails?.seats ?? [];
    const [support, seat] = [machine.supports ?? [], seats].map((all) => all.findIndex(({ id }) => id === step?.adjuster));
    const picked = support >= 0 ? { kind: "support", index: support } : { kind: "seat", index: seat };
    this.view.draw({ ...machine, units, seats, stations, picked });
    this.list.replaceChildren(...survey.readings.map(({ x, y, values }) =>
      el("li", {}, say("bench.place", { x, y }), ": ", el("b", {}, values.map((value) => signed(value, units)).join(" · ")))));
    if (asked?.body.survey) this.#fetchMap(job, asked);
  }

  async #fetchMap(job, asked) {
    const answer = job.answers[job.entries.length];
    const wanted = answer && !answer.problem ? String(job.entries.length) : "";
    if (!wanted || wanted === this.mapped) return;
    this.mapped = wanted;
    try {
      const picture = await post(asked.path, asked.body, { accept: "image/svg+xml" });
      if (wanted !== this.mapped) return;
      URL.revokeObjectURL(this.map.src);
      this.map.src = URL.createObjectURL(await picture.blob());
      this.map.hidden = false;
    } catch {
      this.mapped = ""; // a picture is no reason to stop anybody: the plan view stands, and the next answer asks again
    }
  }
}
