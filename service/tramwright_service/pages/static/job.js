// One job at one machine: everything that was typed, in the order in which it was typed, as one JSON document.
//
// The document is the machine, the question and a list of entries. Everything else (which station comes next, what is
// asked of the service) follows from the entries, so undo drops the last one, and a reload reads them again. What the
// service answered is kept beside the entries that it answers: answers[n] belongs to the first n of them.

import { Shelf } from "./store.js";

/** The jobs of this browser. */
export const jobs = new Shelf("job", 1);

const KEPT_ANSWERS = 6;
const FEWEST = 3; // readings before it is worth asking whether they agree

/** What each question asks the service, and how many surveys it needs. */
export const QUESTIONS = {
  correct: { path: "/v1/corrections", surveys: 1 },
  reversal: { path: "/v1/reversals", surveys: 2 },
  comparison: { path: "/v1/comparisons", surveys: 2 },
  height: { path: "/v1/height-checks", surveys: 2 },
  plan: { path: "/v1/survey-plans", surveys: 0 },
};

/** Return a new job; `farm` {id, version, units} says which stored machine it is at. */
export function create(machine, question, farm) {
  return { machine, question, entries: [], answers: {}, draft: "", ...(farm && { farm }) };
}

/** Return whether what the browser kept is a job that this page can go on with. */
export function readable(job) {
  return Array.isArray(job?.entries) && job.question in QUESTIONS && Boolean(job.machine?.bed);
}

const CHANGES_NOTHING = new Set(["store", "unstored"]); // of what is asked

/** Add an entry; its time is kept with it. */
export function add(job, entry, now = Date.now()) {
  const { length } = job.entries;
  if (CHANGES_NOTHING.has(entry.do) && job.answers[length]) job.answers[length + 1] = job.answers[length];
  job.entries.push({ ...entry, at: now });
  if (!entry.auto) job.draft = "";
}

/** Take back the last entry that a person made, with what followed from it; return false where there is none. */
export function undo(job) {
  const last = job.entries.findLastIndex((entry) => !entry.auto);
  if (last < 0) return false;
  job.entries.length = last;
  for (const n of Object.keys(job.answers)) if (Number(n) > last) delete job.answers[n];
  job.draft = "";
  return true;
}

/** Keep the answer to the entries there are; old ones go, and so does what no screen shows. */
export function answered(job, answer) {
  const { predicted, plans, budget, over_bed, ladder, breakdown, sizes, yours, against_grid, ...kept } = answer;
  if (kept.progress) delete kept.progress.stations;
  job.answers[job.entries.length] = kept;
  const all = Object.keys(job.answers).map(Number).sort((a, b) => b - a);
  for (const n of all.slice(KEPT_ANSWERS)) delete job.answers[n];
}

/** Return what the entries amount to. */
export function stateOf(job) {
  const state = { surveys: [], seen: new Set(), done: [], cared: false, another: false };
  for (const entry of job.entries) TAKE[entry.do]?.(state, entry);
  state.survey = state.surveys.at(-1);
  return state;
}

const TAKE = {
  survey(state, { about = {}, stations, closing, at }) {
    state.surveys.push({ about, stations: null, closing: false, readings: [], wanted: [], done: [], begun: at });
    Object.assign(state, { done: [], seen: new Set(), another: false });
    if (stations) TAKE.stations(state, { stations, closing });
  },
  another(state) {
    state.another = true;
  },
  stations(state, { stations, closing = false, cautions }) {
    Object.assign(state.surveys.at(-1), { stations, closing, cautions });
  },
  more(state, { stations }) {
    state.surveys.at(-1).wanted = stations;
  },
  read(state, { x, y, value, how, at }) {
    const survey = state.surveys.at(-1);
    survey.last = at;
    const last = lastAt(survey, { x, y });
    if (last && how === "repeat") last.values.push(value);
    else if (last && how === "instead") last.values = [value];
    else survey.readings.push({ x, y, values: [value] });
    survey.wanted = survey.wanted.filter((station) => !same(station, { x, y }));
  },
  pasted(state, { readings, at }) {
    const survey = state.surveys.at(-1);
    survey.last = at;
    for (const { x, y, value, ...more } of readings) survey.readings.push({ x, y, values: [value], ...more });
    survey.stations ??= distinct(readings);
    survey.enough = true;
  },
  enough(state) {
    state.surveys.at(-1).enough = true;
  },
  seen(state, { what }) {
    state.seen.add(what);
    state.cared ||= what === "reading";
  },
  step(state, { adjuster, travel, park, read }) {
    state.done.push({ adjuster, travel, park, read });
    state.surveys.at(-1).done = state.done;
  },
  store(state) {
    state.surveys.at(-1).store = "store";
  },
  unstored(state) {
    state.surveys.at(-1).store = "unstored";
  },
};

const key = ({ x, y }) => `${x} ${y}`;
export const same = (one, other) => one.x === other.x && one.y === other.y;
const distinct = (places) => [...new Map(places.map(({ x, y }) => [key({ x, y }), { x, y }])).values()];

/** Return the latest reading at a station, or undefined. */
export const lastAt = (survey, station) => survey.readings.findLast((reading) => same(reading, station));

/**
 * Return the suspect to be read again now: the station just read, while the dial is still there, unless it was read
 * twice with one outcome.
 */
export function suspectOf(survey, answer) {
  const last = survey.readings.at(-1);
  if (!last || (last.values.length > 1 && new Set(last.values).size < last.values.length)) return null;
  return answer?.suspects?.find((suspect) => same(suspect, last)) ?? null;
}

/** Return the station to read next, with `closing` where it is the first once more; null where all are read. */
export function nextStation(survey) {
  if (survey.wanted.length) return survey.wanted[0];
  if (!survey.stations || survey.enough) return null;
  const open = survey.stations.find((station) => !survey.readings.some((reading) => same(reading, station)));
  if (open) return open;
  const first = survey.stations[0];
  const closed = survey.readings.filter((reading) => same(reading, first)).length > 1;
  return survey.closing && !closed ? { ...first, closing: true } : null;
}

/** Return a survey as the service reads it. */
export function sent({ readings, about, begun }) {
  const list = readings.map(({ values, ...reading }) => ({ ...reading, value: values.length > 1 ? values : values[0] }));
  return { readings: list, taken_at: new Date(begun).toISOString(), ...about };
}

/** Return what is to be asked of the service now: {path, body}; null while there is nothing to ask. */
export function asks(job, state = stateOf(job)) {
  const { machine, question } = job;
  const { path, surveys: needed } = QUESTIONS[question];
  if (question === "plan" || state.survey?.stations === null) return { path: QUESTIONS.plan.path, body: { machine } };
  const complete = state.surveys.filter((survey) => !nextStation(survey));
  if (question === "correct") {
    if (!state.survey || state.survey.readings.length < FEWEST) return null;
    const body = { machine, survey: sent(state.survey) };
    return { path, body: state.done.length ? { ...body, done: state.done } : body };
  }
  if (complete.length < needed || complete.length < state.surveys.length) return null;
  const all = state.surveys.map(sent);
  const [before, after] = all;
  return { path, body: question === "comparison" ? { machine, before, after } : { machine, surveys: all } };
}
