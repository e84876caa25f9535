// What stands beside the screen: the machine in plan with its readings, and the service's map once there are enough.

import { patiently, post } from "./api.js";
import { el } from "./dom.js";
import { QUESTIONS, lastAt, nextStation } from "./job.js";
import { say } from "./messages.js";
import { PlanView } from "./plan_view.js";
import { signed, written } from "./units.js";

const DRAWN = new Set(["correct", "reversal", "comparison", "plan"].map((question) => QUESTIONS[question].path));
const QUIET = 300; // ms
const dark = window.matchMedia("(prefers-color-scheme: dark)");

export class Beside {
  constructor(place) {
    this.place = place;
    [this.plan, this.map, this.list] = ["svg", ".map", "ol"].map((what) => place.querySelector(what));
    this.view = null;
    this.mapped = "";
    dark.addEventListener("change", () => this.#fetchMap());
  }

  /** Draw the job: stations with what was read there; the next one is marked, or the step's adjuster and station. */
  draw(job, { survey, surveys }, asked, step) {
    const answer = job?.answers[job.entries.length];
    this.place.hidden = !survey && !answer;
    if (job !== this.job || surveys?.length !== this.surveys) this.map.replaceChildren(); // it shows what is gone
    Object.assign(this, { job, surveys: surveys?.length });
    if (this.place.hidden) return;
    const { machine } = job;
    const units = machine.units;
    const planned = answer?.plan?.stations ?? [];
    const next = step?.park ?? (survey ? nextStation(survey) : null);
    const stations = (survey?.stations ?? planned).map(({ x, y }) => {
      const reading = survey && lastAt(survey, { x, y });
      const state = next && next.x === x && next.y === y ? "next" : reading ? "read" : "open";
      return { x, y, label: reading ? signed(reading.values.at(-1), units) : "", state };
    });
    this.view ??= new PlanView(this.plan, { words: { front: say("shared.front"), place: ({ id }) => id } });
    const seats = machine.rails?.seats ?? [];
    const moved = (all) => all.findIndex(({ id }) => id === step?.adjuster);
    const support = moved(machine.supports ?? []);
    const picked = support >= 0 ? { kind: "support", index: support } : { kind: "seat", index: moved(seats) };
    this.view.draw({ ...machine, units, seats, stations, picked });
    this.list.replaceChildren(...(survey?.readings ?? []).map(({ x, y, values }) =>
      el("li", {}, say("bench.place", { x: written(x), y: written(y) }), ": ",
        el("b", {}, values.map((value) => signed(value, units)).join(" · ")))));
    // a plan that is only looked at while stations are chosen is drawn in plan already
    this.asked = answer && !answer.problem && !(answer.plan && survey) && DRAWN.has(asked?.path) ? asked : null;
    this.#fetchMap();
  }

  // The service draws for a good while, and to its end what it has begun: what is typed quickly is drawn once, and a
  // picture is asked for only when the one before is there.
  #fetchMap() {
    const wanted = this.asked ? JSON.stringify([this.asked, dark.matches]) : "";
    if (wanted === this.mapped) return;
    this.mapped = wanted;
    clearTimeout(this.timer);
    if (wanted) this.timer = setTimeout(() => this.#draw(), QUIET);
  }

  async #draw() {
    if (this.drawing || !this.mapped) return;
    clearTimeout(this.timer); // where one picture follows another at once, it is still set for the one drawn now
    const { asked: { path, body }, mapped, job, surveys } = this;
    this.drawing = true;
    try {
      const theme = dark.matches ? "?theme=dark" : "";
      const drawn = await patiently(() => post(`${path}${theme}`, body, { accept: "image/svg+xml", as: "blob" }));
      const src = URL.createObjectURL(drawn);
      if (this.drawn) URL.revokeObjectURL(this.drawn);
      this.drawn = src;
      if (job === this.job && surveys === this.surveys) {
        this.map.replaceChildren(el("a", { href: src, target: "_blank" }, el("img", { src, alt: "" }), say("bench.map")));
      }
    } catch {
      if (mapped === this.mapped) this.mapped = ""; // the plan view stands, and the next answer asks again
    }
    this.drawing = false;
    if (this.mapped && this.mapped !== mapped) this.#draw();
  }
}
