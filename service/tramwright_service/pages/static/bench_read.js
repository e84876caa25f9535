// Reading screens: where to read, one station at a time, a suspect once more, a pasted table.

import { NoAnswer, Refused } from "./api.js";
import { button, el } from "./dom.js";
import { lastAt, nextStation, same, suspectOf } from "./job.js";
import { keypad } from "./keypad.js";
import { say } from "./messages.js";
import { Unreadable, readTable } from "./paste.js";
import { shape } from "./plan_view.js";
import { signed, typed, written } from "./units.js";

const place = ({ x, y }) => say("bench.place", { x: written(x), y: written(y) });

/** Return the coordinates of a station, large. */
export function spot({ x, y }) {
  return el("p", { class: "spot" },
    el("span", {}, el("small", {}, "x "), written(x)), " ", el("span", {}, el("small", {}, "y "), written(y)));
}

/** Return a small picture of the bed with every station, the one asked for in its cross hairs, and what is moved. */
export function where({ bed, supports = [], rails }, stations, at, moved = null) {
  const seats = rails?.seats ?? [];
  const all = [...stations, ...supports, ...seats, { x: bed.x[0], y: bed.y[0] }, { x: bed.x[1], y: bed.y[1] }, at];
  const [left, right] = [Math.min(...all.map(({ x }) => x)), Math.max(...all.map(({ x }) => x))];
  const [front, rear] = [Math.min(...all.map(({ y }) => y)), Math.max(...all.map(({ y }) => y))];
  const mark = (kind, { id }) => (id === moved ? `${kind} moved` : kind);
  const r = Math.max(right - left, rear - front) / 36;
  const box = [left - 2 * r, -rear - 2 * r, right - left + 4 * r, rear - front + 4 * r];
  const svg = shape("svg", { class: "where", "aria-hidden": "true", viewBox: box.join(" ") });
  svg.append(
    shape("rect", { class: "bed", x: bed.x[0], y: -bed.y[1], width: bed.x[1] - bed.x[0], height: bed.y[1] - bed.y[0] }),
    ...seats.map((one) =>
      shape("rect", { class: mark("seat", one), x: one.x - r, y: -one.y - r, width: 2 * r, height: 2 * r })),
    ...supports.map((one) => shape("circle", { class: mark("support", one), cx: one.x, cy: -one.y, r: 1.4 * r })),
    ...stations.map(({ x, y, read }) => shape("circle", { class: read ? "read" : "open", cx: x, cy: -y, r: 0.7 * r })),
    shape("path", { class: "hair", d: `M${left} ${-at.y}H${right}M${at.x} ${-front}V${-rear}` }),
    shape("circle", { class: "at", cx: at.x, cy: -at.y, r: 1.6 * r }),
  );
  return svg;
}

/** Where to read: the planned order, stations of one's own, or a table that was read already. */
export function whereScreen({ answer, enter, open }) {
  const plan = answer?.plan;
  const take = () => enter({
    do: "stations", stations: plan.stations.map(({ x, y }) => ({ x, y })), closing: true, cautions: answer.cautions,
  });
  return {
    key: `where ${Boolean(answer)}`,
    node: el("section", {},
      el("h2", {}, say("bench.where")),
      answer?.problem ? faults(answer.problem) : null,
      plan
        ? button(say("bench.read-planned", { count: plan.stations.length }), take, { class: "main wide" })
        : el("p", { class: "faint" }, answer ? "" : say("bench.planning")),
      plan ? el("p", { lang: "en" }, answer.says) : null,
      el("div", { class: "actions" },
        button(say("bench.own-stations"), () => open("own")),
        button(say("bench.paste"), () => open("paste")))),
    focus: plan ? "button.main" : null,
  };
}

/** What the service refuses, in its own words. */
export function faults({ detail, errors = [] }) {
  const said = errors.length ? errors.map((error) => [error.detail, error.pointer]) : [[detail, ""]];
  const machine = said.some(([, pointer]) => pointer?.startsWith("/machine"));
  return el("div", { class: "wrong", role: "alert" },
    said.map(([sentence]) => el("p", { lang: "en" }, sentence)),
    machine ? el("p", {}, el("a", { href: "/bench/machine" }, say("bench.mend-machine"))) : null);
}

/** Return why something that a person asked for did not come; what is no answer of the service's is thrown. */
export function unanswered(error) {
  if (error instanceof NoAnswer) return say("bench.ask-later");
  if (error instanceof Refused) return error.message;
  throw error;
}

/** Stations of one's own, one x and y at a time. */
export function ownScreen({ job, enter, keep, redraw }) {
  const chosen = (job.own ??= []);
  const x = el("input", { id: "own-x", inputmode: "decimal", autocomplete: "off" });
  const y = el("input", { id: "own-y", inputmode: "decimal", autocomplete: "off" });
  const wrong = el("p", { class: "wrong", role: "alert" });
  const take = (event) => {
    event.preventDefault();
    const station = { x: typed(x.value), y: typed(y.value) };
    const bad = [x, y].find((field) => !Number.isFinite(typed(field.value) ?? NaN));
    if (bad) wrong.textContent = say("bench.no-number", { typed: bad.value });
    else if (chosen.some((other) => same(other, station))) wrong.textContent = say("bench.there-already");
    else {
      chosen.push(station);
      keep();
      redraw();
      return;
    }
    (bad ?? x).focus();
  };
  return {
    key: `own ${chosen.length}`,
    node: el("section", {},
      el("h2", {}, say("bench.own-stations")),
      el("form", { submit: take },
        el("div", { class: "fields" },
          el("div", {}, el("label", { for: "own-x" }, "x"), x),
          el("div", {}, el("label", { for: "own-y" }, "y"), y)),
        wrong,
        el("div", { class: "actions" }, el("button", {}, say("bench.add-station")))),
      el("ol", { class: "stations" }, chosen.map((station) => el("li", {}, place(station)))),
      button(say("bench.read-these", { count: chosen.length }),
        () => enter({ do: "stations", stations: chosen, closing: true }),
        { class: "main wide", disabled: chosen.length < 3 })),
    focus: "#own-x",
  };
}

/** A table from a spreadsheet. */
export function pasteScreen({ ui, enter, redraw }) {
  const wrong = el("p", { class: "wrong", role: "alert" }, ui.wrong ?? "");
  const box = el("textarea", { id: "table", rows: "8", spellcheck: "false", "aria-describedby": "table-form" });
  box.value = ui.table ?? "";
  const take = () => {
    ui.table = box.value;
    try {
      enter({ do: "pasted", readings: readTable(box.value) });
    } catch (error) {
      if (!(error instanceof Unreadable)) throw error;
      ui.wrong = say(`bench.${error.message}`, error);
      redraw();
    }
  };
  return {
    key: `paste ${ui.wrong}`,
    node: el("section", {},
      el("h2", {}, say("bench.paste")),
      el("label", { for: "table" }, say("bench.table")),
      el("p", { class: "faint", id: "table-form" }, say("bench.table-form")),
      box, wrong,
      button(say("bench.take-table"), take, { class: "main wide" })),
    focus: "#table",
  };
}

// While readings are still to come, the service is bound to miss some: only what is wrong with those there are is said.
const SPOKEN = /^\/survey\/readings\/\d|^\/machine/;

/** One station: where it is, what the dial says. */
export function readScreen(context) {
  const { job, state, answer, ui, enter, open, redraw, typing } = context;
  const { survey } = state;
  const { units } = job.machine;
  const again = ui.at ? lastAt(survey, ui.at) : null;
  const station = ui.at ?? nextStation(survey);
  const known = lastAt(survey, station);
  const wanted = survey.wanted.length > 0 && !ui.at;
  const count = survey.stations.length + (survey.closing ? 1 : 0);
  const number = station.closing ? count : survey.stations.findIndex((other) => same(other, station)) + 1;
  const accept = (value) => {
    const how = ui.at ? "repeat" : wanted && known ? (known.values.includes(value) ? "repeat" : "instead") : null;
    ui.at = null;
    enter({ do: "read", x: station.x, y: station.y, value, ...(how && { how }) });
  };
  const heading = station.closing ? say("bench.closing") : wanted ? say("bench.once-more")
    : say("bench.station", { number, count });
  const last = survey.readings.at(-1);
  const marked = survey.stations.map((one) => ({ ...one, read: Boolean(lastAt(survey, one)) }));
  const spoken = answer?.problem?.errors?.filter(({ pointer }) => SPOKEN.test(pointer)) ?? [];
  return {
    key: `read ${station.x} ${station.y} ${number} ${survey.readings.length} ${spoken.length} ${again?.values.length}`,
    node: el("section", { class: "station" },
      el("div", { class: "place" },
        where(job.machine, marked, station),
        el("div", {}, el("h2", {}, heading), spot(station),
          again ? el("p", { class: "faint" }, soFar(again, units)) : null)),
      spoken.length ? faults({ errors: spoken }) : null,
      keypad({
        label: say("bench.dial-says"), units, draft: job.draft, changed: typing, accept,
      }),
      el("div", { class: "actions" },
        last && !ui.at ? button(latest(last, units), () => { ui.at = { x: last.x, y: last.y }; redraw(); }) : null,
        ui.at ? button(say("bench.back"), () => { ui.at = null; redraw(); }) : null,
        button(say("bench.paste"), () => open("paste")),
        survey.readings.length > 2 && !wanted ? button(say("bench.enough"), () => enter({ do: "enough" })) : null)),
    focus: "#reading",
  };
}

const soFar = ({ values }, units) =>
  say("bench.so-far", { values: values.map((value) => signed(value, units)).join(" · ") });
const latest = ({ x, y, values }, units) =>
  say("bench.repeat", { x: written(x), y: written(y), value: signed(values.at(-1), units) });

/** The station just read does not fit the others: ask for it again while the dial is still there. */
export function suspectScreen({ job, state, answer, enter, typing }) {
  const { survey } = state;
  const suspect = suspectOf(survey, answer);
  const reading = lastAt(survey, suspect);
  const old = reading.values.at(-1);
  const { x, y } = suspect;
  return {
    key: `suspect ${x} ${y} ${reading.values}`,
    node: el("section", { class: "station" },
      el("h2", {}, say("bench.suspect")),
      spot(suspect),
      el("p", { class: "wrong", role: "alert", lang: "en" }, suspect.says),
      button(say("bench.the-same", { value: signed(old, job.machine.units) }),
        () => enter({ do: "read", x, y, value: old, how: "repeat" }), { class: "wide" }),
      keypad({
        label: say("bench.dial-says-now"), units: job.machine.units, draft: job.draft, changed: typing,
        accept: (value) => enter({ do: "read", x, y, value, how: value === old ? "repeat" : "instead" }),
      })),
    focus: "#reading",
  };
}

/** Return cautions as a list. */
export function cautionList(cautions) {
  return el("ul", { class: "cautions", lang: "en" }, cautions.map((caution) => el("li", {}, caution)));
}

/** Cautions, before what they concern is done. */
export function careScreen({ enter }, what, cautions) {
  return {
    key: `care ${what} ${cautions.length}`,
    node: el("section", {},
      el("h2", {}, say("bench.care")),
      cautionList(cautions),
      button(say("bench.care-taken"), () => enter({ do: "seen", what }), { class: "main wide" })),
    focus: "button.main",
  };
}
