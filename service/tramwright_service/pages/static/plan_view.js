// Draws a machine in plan as an engineering drawing, in true proportion. It works out nothing but the drawing scale.

const SVG = "http://www.w3.org/2000/svg";
const LONGEST = 24; // letters of a name in the drawing
const MARGIN = { left: 46, right: 22, top: 34, bottom: 72 };

/** Return a new SVG element. */
export function shape(name, attributes = {}, text = null) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== null) element.textContent = text;
  return element;
}

/**
 * A plan view inside an <svg>.
 *
 * `words` has the texts {front, place({kind, id, x, y})}. `moved(kind, index, x, y, ended)` is called while a support or
 * seat is dragged or moved by arrow keys, `picked(kind, index)` when a support, seat or station is chosen, and
 * `tapped(x, y)` when the drawing is tapped anywhere else; without `moved` nothing can be dragged.
 */
export class PlanView {
  constructor(svg, { words, moved = null, picked = null, tapped = null }) {
    this.svg = svg;
    this.words = words;
    this.moved = moved;
    this.picked = picked;
    this.drawing = svg.appendChild(shape("g"));
    this.marks = svg.appendChild(shape("g"));
    this.known = new Map();
    this.held = null;
    this.scene = null;
    if (tapped) {
      svg.addEventListener("click", (event) => this.marks.contains(event.target) || tapped(...this.#under(event)));
    }
    // The first drawing waits until the page is laid out: to ask for the width before would lay it out twice.
    this.width = 0;
    new ResizeObserver(([{ contentRect }]) => {
      this.width = contentRect.width;
      if (this.scene) this.draw(this.scene);
    }).observe(svg);
  }

  /**
   * Draw {units, bed: {x: [low, high], y: [low, high]}, supports: [{id, x, y}], seats: [{id, rail, x, y}],
   * stations: [{x, y, label, state}], picked: {kind, index}}; all but `bed` may be left out.
   */
  draw(scene) {
    this.scene = scene;
    if (!this.width) return;
    if (!this.held) this.#fit(scene);
    this.drawing.replaceChildren(...this.#sheet(scene));
    const wanted = new Set();
    // what was read stands over what it was read beside
    for (const [kind, all] of [["seat", scene.seats], ["support", scene.supports], ["station", scene.stations]]) {
      (all ?? []).forEach((one, index) => {
        if (Number.isFinite(one.x) && Number.isFinite(one.y)) wanted.add(this.#mark(kind, index, one, scene));
      });
    }
    for (const [key, mark] of this.known) {
      if (wanted.has(key)) continue;
      mark.remove();
      this.known.delete(key);
    }
  }

  // One scale for both directions: the whole machine fits the width there is and a height that leaves room for a hand.
  #fit({ bed, supports = [], seats = [], stations = [] }) {
    const all = [...supports, ...seats, ...stations].filter(({ x, y }) => Number.isFinite(x) && Number.isFinite(y));
    const x = [...bed.x, ...all.map((one) => one.x)];
    const y = [...bed.y, ...all.map((one) => one.y)];
    [this.low, this.high] = [[Math.min(...x), Math.min(...y)], [Math.max(...x), Math.max(...y)]];
    const { width } = this;
    const room = [width - MARGIN.left - MARGIN.right, Math.max(260, Math.min(width, 560)) - MARGIN.top - MARGIN.bottom];
    this.scale = Math.min(...[0, 1].map((axis) => room[axis] / Math.max(this.high[axis] - this.low[axis], 1e-9)));
    this.size = [width, (this.high[1] - this.low[1]) * this.scale + MARGIN.top + MARGIN.bottom];
    this.left = (width - (this.high[0] - this.low[0]) * this.scale + MARGIN.left - MARGIN.right) / 2;
    this.svg.setAttribute("viewBox", `0 0 ${this.size[0]} ${this.size[1]}`);
    this.svg.setAttribute("height", this.size[1]);
  }

  #across(x) {
    return this.left + (x - this.low[0]) * this.scale;
  }

  #down(y) {
    return MARGIN.top + (this.high[1] - y) * this.scale;
  }

  #sheet({ units = "mm", bed, seats = [] }) {
    const [left, right] = bed.x.map((x) => this.#across(x));
    const [bottom, top] = bed.y.map((y) => this.#down(y));
    const parts = [shape("rect", {
      class: "bed", x: Math.min(left, right), y: Math.min(top, bottom),
      width: Math.abs(right - left), height: Math.abs(bottom - top),
    })];
    const rails = grouped(seats);
    for (const carried of rails.values()) {
      const places = carried.filter(({ x, y }) => Number.isFinite(x) && Number.isFinite(y));
      if (places.length > 1) {
        parts.push(shape("polyline", {
          class: "rail", points: places.map(({ x, y }) => `${this.#across(x)},${this.#down(y)}`).join(" "),
        }));
      }
    }
    const foot = this.#down(this.low[1]) + 44;
    const side = this.#across(this.low[0]) - 28;
    parts.push(
      ...this.#dimension(left, foot, right, foot, `${round(bed.x[1] - bed.x[0])} ${units}`),
      ...this.#dimension(side, bottom, side, top, `${round(bed.y[1] - bed.y[0])} ${units}`),
      shape("text", { class: "note", x: (left + right) / 2, y: foot + 22, "text-anchor": "middle" }, this.words.front),
    );
    return parts;
  }

  #dimension(x1, y1, x2, y2, text) {
    const [middle, height] = [(x1 + x2) / 2, (y1 + y2) / 2];
    const turned = x1 === x2 ? { transform: `rotate(-90 ${middle} ${height})` } : {};
    const tick = x1 === x2 ? [5, 0] : [0, 5];
    const ends = [[x1, y1], [x2, y2]].map(([x, y]) => shape("line", {
      class: "dimension", x1: x - tick[0], y1: y - tick[1], x2: x + tick[0], y2: y + tick[1],
    }));
    return [
      shape("line", { class: "dimension", x1, y1, x2, y2 }),
      ...ends,
      shape("text", { class: "measure", x: middle, y: height - 5, "text-anchor": "middle", ...turned }, text),
    ];
  }

  #mark(kind, index, one, scene) {
    const key = `${kind} ${index}`;
    let mark = this.known.get(key);
    if (!mark) {
      mark = this.marks.appendChild(shape("g"));
      mark.append(shape("circle", { class: "reach", r: 22 }), figure(kind), shape("text", { class: "name" }));
      this.known.set(key, mark);
      if (this.picked || this.moved) this.#listen(mark, kind, index);
    }
    const name = one.id ?? one.label ?? "";
    const chosen = scene.picked?.kind === kind && scene.picked.index === index;
    mark.setAttribute("class", `mark ${kind} ${one.state ?? ""} ${chosen ? "picked" : ""}`);
    mark.setAttribute("transform", `translate(${this.#across(one.x)} ${this.#down(one.y)})`);
    if (mark.hasAttribute("tabindex")) {
      mark.setAttribute("aria-label", this.words.place({ kind, ...one, id: name }));
      mark.setAttribute("aria-pressed", String(chosen));
    }
    if (kind === "support") turnGroove(mark.querySelector(".groove"), one.mount);
    const text = mark.lastChild;
    text.textContent = name.length > LONGEST ? `${[...name].slice(0, LONGEST - 1).join("")}…` : name; // whole in its label
    for (const [name, value] of Object.entries(this.#beside(kind, one))) text.setAttribute(name, value);
    return key;
  }

  // Where a name stands: a seat's outside the bed, a support's towards the middle, a station's above it or, where
  // something else is there, below.
  #beside(kind, { x, y }) {
    if (kind === "station") {
      const taken = [...(this.scene.supports ?? []), ...(this.scene.seats ?? [])].some((other) =>
        Math.abs(other.x - x) * this.scale < 34 && Math.abs((other.y - y) * this.scale - 10) < 18);
      return { "text-anchor": "middle", x: 0, y: taken ? 18 : -9 };
    }
    const right = x > (this.low[0] + this.high[0]) / 2;
    const height = (y - this.low[1]) / (this.high[1] - this.low[1] || 1);
    const anchor = right ? "end" : "start";
    if (kind === "seat" && height > 0.8) return { "text-anchor": anchor, x: right ? 10 : -10, y: -15 };
    if (kind === "seat" && height < 0.2) return { "text-anchor": anchor, x: right ? 10 : -10, y: 25 };
    return { "text-anchor": anchor, x: right ? -14 : 14, y: 4 };
  }

  #listen(mark, kind, index) {
    mark.setAttribute("tabindex", "0");
    mark.setAttribute("role", "button");
    mark.addEventListener("click", () => this.picked?.(kind, index));
    mark.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        this.picked?.(kind, index);
      } else if (step && this.moved && kind !== "station") {
        event.preventDefault();
        const { x, y } = this.scene[`${kind}s`][index];
        const grid = this.#grid();
        this.moved(kind, index, round(x + step[0] * grid), round(y + step[1] * grid), true);
      }
    });
    if (!this.moved || kind === "station") return;
    mark.addEventListener("pointerdown", (event) => {
      const { x, y } = this.scene[`${kind}s`][index];
      this.held = { x, y, from: [event.clientX, event.clientY], moving: false };
      mark.setPointerCapture(event.pointerId);
    });
    mark.addEventListener("pointermove", (event) => {
      if (!this.held) return;
      // a tap with a thumb is no drag
      const { from } = this.held;
      this.held.moving ||= Math.hypot(event.clientX - from[0], event.clientY - from[1]) > 4;
      if (this.held.moving) this.moved(kind, index, ...this.#dragged(event), false);
    });
    const drop = (event, taken) => {
      if (!this.held) return;
      const { x, y, moving } = this.held;
      const place = taken ? this.#dragged(event) : [x, y];
      this.held = null;
      if (moving) this.moved(kind, index, ...place, true);
    };
    mark.addEventListener("pointerup", (event) => drop(event, true));
    mark.addEventListener("pointercancel", (event) => drop(event, false));
  }

  #dragged(event) {
    const grid = this.#grid();
    const { x, y, from } = this.held;
    const [right, up] = [event.clientX - from[0], from[1] - event.clientY];
    return [x + right / this.scale, y + up / this.scale].map((at) => round(Math.round(at / grid) * grid));
  }

  #under(event) {
    const frame = this.svg.getBoundingClientRect();
    const [right, down] = [event.clientX - frame.left - this.left, event.clientY - frame.top - MARGIN.top];
    const grid = this.#grid();
    const place = [this.low[0] + right / this.scale, this.high[1] - down / this.scale];
    return place.map((at) => round(Math.round(at / grid) * grid));
  }

  // The round length (1, 2 or 5 of a power of ten) of which one pixel is no more.
  #grid() {
    const pixel = 1 / this.scale;
    const ten = 10 ** Math.floor(Math.log10(pixel));
    return [1, 2, 5, 10].map((times) => times * ten).find((length) => length >= pixel * (1 - 1e-9));
  }
}

function figure(kind) {
  if (kind === "support") {
    const mark = shape("g", { class: "figure" });
    mark.append(
      shape("path", { class: "groove", d: "M-24-3.5H24M-24 3.5H24" }),
      shape("circle", { r: 9 }),
      shape("path", { d: "M-13 0H13M0-13V13" }),
    );
    return mark;
  }
  if (kind === "seat") return shape("rect", { class: "figure", x: -8, y: -8, width: 16, height: 16 });
  return shape("circle", { class: "figure", r: 5 });
}

// A vee shows the direction of its groove; angles are drawn as they are given, anticlockwise from x.
function turnGroove(groove, mount) {
  const shown = mount?.kind === "vee" && Number.isFinite(mount.axis);
  groove.setAttribute("visibility", shown ? "visible" : "hidden");
  groove.setAttribute("transform", shown ? `rotate(${-mount.axis})` : "");
}

function round(value) {
  return Number(value.toPrecision(10));
}

function grouped(seats) {
  const rails = new Map();
  for (const seat of seats) rails.set(seat.rail, [...(rails.get(seat.rail) ?? []), seat]);
  return rails;
}
