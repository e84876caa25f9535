// One term of a machine over time: each survey with its uncertainty, limits, what was moved, and when it may be outside.

import { el } from "./dom.js";
import { say } from "./messages.js";
import { shape } from "./plan_view.js";
import { K, dated } from "./standing.js";
import { fixed, length, signed, unit } from "./units.js";

/** The terms that a history can have, in the order in which they are offered. */
export const TERMS = ["total", "tilt-x", "tilt-y", "twist", "bow-x", "bow-y", "remainder"];

const HEIGHT = 220;
const MARGIN = { left: 58, right: 12, top: 14, bottom: 40 };
const DAY = 86_400_000;
const BEYOND = 0.6; // of the time shown, the farthest that the future is shown

export class Chart {
  constructor() {
    this.svg = shape("svg", { class: "over-time", height: HEIGHT, role: "img" });
    this.key = el("ul", { class: "key" });
    this.node = el("div", {}, this.svg, this.key);
    this.width = 0;
    new ResizeObserver(([{ contentRect }]) => {
      if (Math.abs(contentRect.width - this.width) < 1) return;
      this.width = contentRect.width;
      if (this.history) this.draw(this.history, this.term);
    }).observe(this.svg);
  }

  /** Draw a term of a history, as `GET …/history` answers it. */
  draw(history, term) {
    Object.assign(this, { history, term });
    const { machine, units, points } = history;
    this.values = points.flatMap((point) => {
      const { value, u } = term === "total" ? { value: point.total, u: point.u } : point.terms?.[term] ?? {};
      return value === undefined ? [] : [{ ...point, at: Date.parse(point.taken_at), value, reach: K * u }];
    });
    const last = this.values.at(-1);
    this.svg.setAttribute("aria-label", say("farm.chart", {
      term: say(`farm.term-${term}`), name: machine, count: this.values.length, value: last ? this.#told(last.value) : "–",
    }));
    if (!this.width || !last) return;
    this.series = history.series.find((one) => one.term === term);
    this.#fit(term, history.limit);
    this.svg.setAttribute("viewBox", `0 0 ${this.width} ${HEIGHT}`);
    this.svg.replaceChildren(
      ...this.#axes(units), ...this.#control(), ...this.#limits(term), ...this.#ahead(), ...this.#surveys());
    const state = this.series && say(`farm.state-${this.series.state}`);
    const shown = ["survey", ...this.signs].map((sign) =>
      el("li", { class: `sign ${sign}` }, say(`farm.key-${sign}`)));
    this.key.replaceChildren(...(state ? [el("li", {}, el("b", {}, `${say(`farm.term-${term}`)}: ${state}`))] : []), ...shown);
  }

  /** Return the same in figures, the latest first. */
  table() {
    const { units } = this.history;
    const head = ["taken", `term-${this.term}`, "expanded", "key-moves"].map((word) => el("th", { scope: "col" }, say(`farm.${word}`)));
    const moved = (moves) => Object.entries(moves ?? {}).map(([name, travel]) => `${name} ${signed(travel, units)}`).join(", ");
    return el("table", {},
      el("thead", {}, el("tr", {}, head)),
      el("tbody", {}, this.values.toReversed().map(({ number, at, value, reach, moves }) => el("tr", {},
        el("th", { scope: "row" }, `${number} · ${dated(at)}`), el("td", {}, this.#told(value)),
        el("td", {}, length(reach, units)), el("td", {}, moved(moves))))));
  }

  #told(value) {
    return this.term === "total" ? length(value, this.history.units) : `${signed(value, this.history.units)} ${unit(this.history.units)}`;
  }

  #fit(term, limit) {
    const { values, history } = this;
    const [first, last] = [values[0].at, values.at(-1).at];
    const span = Math.max(last - first, DAY);
    const ahead = term === "total" && history.drift ? Date.parse(history.drift.latest ?? history.drift.at) : last;
    this.from = first - 0.02 * span;
    this.to = Math.min(Math.max(ahead, last + 0.03 * span), last + BEYOND * span);
    const tops = values.flatMap(({ value, reach }) => [value - reach, value + reach]);
    const bounds = this.series?.ewma?.points.flatMap(({ lower, upper }) => [lower, upper]) ?? [];
    this.low = Math.min(0, ...tops, ...bounds);
    this.high = Math.max(0, ...tops, ...bounds, term === "total" ? 1.1 * (limit ?? 0) : 0) || 1e-3;
    if (term === "total") this.low = 0;
  }

  #across(at) {
    return MARGIN.left + ((at - this.from) / (this.to - this.from)) * (this.width - MARGIN.left - MARGIN.right);
  }

  #down(value) {
    const share = (Math.max(value, this.low) - this.low) / (this.high - this.low);
    return HEIGHT - MARGIN.bottom - share * (HEIGHT - MARGIN.top - MARGIN.bottom);
  }

  #axes(units) {
    const [left, right] = [MARGIN.left, this.width - MARGIN.right];
    const lines = steps(this.low, this.high, 4).flatMap((value) => [
      shape("path", { class: value === 0 ? "zero" : "grid", d: `M${left} ${this.#down(value)}H${right}` }),
      shape("text", { x: left - 6, y: this.#down(value) + 4, "text-anchor": "end" },
        this.term === "total" ? fixed(value, units) : signed(value, units)),
    ]);
    const count = Math.max(2, Math.floor((right - left) / 110));
    const days = Array.from({ length: count }, (_, n) => this.from + ((n + 0.5) / count) * (this.to - this.from));
    return [
      ...lines,
      ...days.map((at) => shape("text", { x: this.#across(at), y: HEIGHT - 6, "text-anchor": "middle" }, dated(at))),
      shape("text", { x: left - 6, y: HEIGHT - MARGIN.bottom + 20, "text-anchor": "end" }, unit(units)),
    ];
  }

  #control() {
    const chart = this.series?.ewma?.points ?? [];
    this.signs = chart.length > 1 ? ["control"] : [];
    if (chart.length < 2) return [];
    const at = new Map(this.values.map(({ number, at: time }) => [number, this.#across(time)]));
    const known = chart.filter(({ number }) => at.has(number));
    const line = (side) => known.map((point) => `${at.get(point.number)} ${this.#down(point[side])}`);
    return [
      shape("path", { class: "control", d: `M${[...line("upper"), ...line("lower").reverse()].join("L")}z` }),
      shape("path", { class: "level", d: `M${line("level").join("L")}` }),
    ];
  }

  #limits(term) {
    if (term !== "total") return [];
    this.signs.push("limit");
    const steps = this.values.flatMap(({ at, limit }, n) => [
      `${this.#across(n ? at : this.from)} ${this.#down(limit)}`,
      `${this.#across(this.values[n + 1]?.at ?? this.to)} ${this.#down(limit)}`,
    ]);
    return [shape("path", { class: "limit", d: `M${steps.join("L")}` })];
  }

  #ahead() {
    const { drift } = this.history;
    if (this.term !== "total" || !drift) return [];
    const [early, late] = [drift.earliest, drift.latest ?? this.to].map((at) =>
      Math.min(this.#across(Math.max(typeof at === "string" ? Date.parse(at) : at, this.from)), this.width - MARGIN.right));
    const expected = this.#across(Date.parse(drift.at));
    return [
      shape("rect", { class: "ahead", x: early, y: MARGIN.top, width: Math.max(late - early, 2), height: HEIGHT - MARGIN.top - MARGIN.bottom }),
      expected <= this.width - MARGIN.right ? shape("path", { class: "expected", d: `M${expected} ${MARGIN.top}V${HEIGHT - MARGIN.bottom}` }) : "",
    ];
  }

  #sign(name) {
    if (!this.signs.includes(name)) this.signs.push(name);
  }

  #surveys() {
    const foot = HEIGHT - MARGIN.bottom;
    let version = this.values[0].version;
    return this.values.flatMap((point) => {
      const { at, value, reach, as_found: found, moves, version: now } = point;
      const [x, y] = [this.#across(at), this.#down(value)];
      const parts = [
        shape("path", { class: "reach", d: `M${x} ${this.#down(value - reach)}V${this.#down(value + reach)}` }),
        shape("circle", { class: `survey ${found}`, cx: x, cy: y, r: 3.5 }),
      ];
      if (found === "outside") this.#sign("outside");
      if (moves && Object.keys(moves).length) {
        parts.push(shape("path", { class: "moves", d: `M${x} ${foot}l-5 8h10z` }));
        this.#sign("moves");
      }
      if (now !== version) {
        version = now;
        parts.unshift(shape("path", { class: "version", d: `M${x} ${MARGIN.top}V${foot}` }));
        this.#sign("version");
      }
      return parts;
    });
  }
}

/** Return round values over a range, some `count` of them. */
function steps(low, high, count) {
  const ten = 10 ** Math.floor(Math.log10((high - low) / count));
  const step = [1, 2, 5, 10].map((times) => times * ten).find((one) => (high - low) / one <= count + 1);
  const first = Math.ceil(low / step - 1e-9);
  return Array.from({ length: Math.floor(high / step + 1e-9) - first + 1 }, (_, n) => (first + n) * step);
}
