// The bench page: draws one screen at a time from what was typed and what the service answered.

import { Asking } from "./asking.js";
import { Filing, asksToStore, storeScreen } from "./bench_farm.js";
import { aboutScreen, answerScreen, hasAbout } from "./bench_other.js";
import {
  careScreen, ownScreen, pasteScreen, readScreen, suspectScreen, unanswered, whereScreen,
} from "./bench_read.js";
import { startScreen } from "./bench_start.js";
import {
  closingScreen, endScreen, moreScreen, refusedScreen, stepOf, stepScreen, stopScreen, waitingScreen,
} from "./bench_work.js";
import { Beside } from "./beside.js";
import { add, answered, asks, jobs, nextStation, readable, stateOf, suspectOf, undo } from "./job.js";
import { say } from "./messages.js";
import { NotKept, Unreadable } from "./store.js";
import { opened, stored } from "./stored.js";

const [screen, title, status, tools] = ["screen", "title", "state", "tools"].map((id) => document.getElementById(id));
const beside = new Beside(document.getElementById("beside"));
const asking = new Asking({ told, answered: take });
const filing = new Filing({ filed, told });
let key = null;
let job = null;
let ui = {};
let shown = "";
let unkept = false;
let drawing = 0;

/** Return the screen for what there is. */
function screenNow(context) {
  const { state, answer, asked } = context;
  const { survey } = state;
  if (!job) return startScreen(context);
  if (ui.over === "own") return ownScreen(context);
  if (ui.over === "paste") return pasteScreen(context);
  if (!survey || state.another) {
    return job.question === "plan" ? (answer ? planned(context) : waitingScreen(context)) : aboutScreen(context);
  }
  if (!survey.stations) return whereScreen(context);
  if (survey.cautions?.length && !state.cared) return careScreen(context, "reading", survey.cautions);
  if (ui.at) return readScreen(context);
  const asksAgain = job.question === "correct" && !survey.enough && suspectOf(survey, answer);
  if (asksAgain && !job.draft) return suspectScreen(context);
  if (nextStation(survey)) return readScreen(context);
  if (!asked) return aboutScreen(context);
  if (!answer) return waitingScreen(context);
  if (answer.problem) return refusedScreen(context);
  return job.question === "correct" ? workScreen(context) : answerScreen(context);
}

function planned(context) {
  return context.answer.problem ? refusedScreen(context) : answerScreen(context);
}

function workScreen(context) {
  const { answer, state } = context;
  if (answer.progress?.next === "stop") return stopScreen(context);
  if (!state.done.length && answer.advice.read.length) return moreScreen(context);
  if (asksToStore(context)) return storeScreen(context);
  const step = stepOf(answer);
  if (!step) return state.done.length ? closingScreen(context) : endScreen(context);
  const kind = job.machine.supports?.some(({ id }) => id === step.adjuster) ? "support" : "seat";
  if (answer.cautions.length && !state.seen.has(kind)) return careScreen(context, kind, answer.cautions);
  return stepScreen(context);
}

function draw() {
  const state = job ? stateOf(job) : {};
  const answer = job?.answers[job.entries.length];
  const asked = job && asks(job, state);
  const context = {
    job, ui, state, answer, asked, away: asking.away, shut: asking.shut,
    enter, open, redraw: draw, typing, keep, begin, resume, forget, leave, takeBack, openStored,
    again: () => asking.again(),
    readAgain: () => enter({ do: "survey", stations: state.survey.stations, closing: state.survey.closing }),
  };
  const next = screenNow(context);
  if (next.key !== shown) {
    shown = next.key;
    const chosen = screen.contains(document.activeElement) && document.activeElement.dataset.keep;
    Object.assign(screen.dataset, { screen: shown, drawn: Number(screen.dataset.drawn ?? 0) + 1 });
    screen.replaceChildren(next.node);
    const again = chosen && screen.querySelector(`[data-keep="${chosen}"]`);
    const focused = again || (next.focus && screen.querySelector(next.focus)) || title;
    focused.focus({ preventScroll: true });
    if (!again) window.scrollTo(0, 0);
  }
  title.textContent = job ? job.machine.id ?? say("bench.no-name") : say("bench.title");
  tools.hidden = !job;
  document.getElementById("undo").disabled = !job?.entries.some((entry) => !entry.auto);
  const step = shown.startsWith("step") || shown.startsWith("says") ? stepOf(answer) : null;
  clearTimeout(drawing);
  drawing = setTimeout(() => beside.draw(job, state, asked, step)); // after what is typed into: that comes first
  told();
}

/** Ask what is to be asked now, unless the answer is there. */
function sync() {
  const asked = job && !job.answers[job.entries.length] ? asks(job) : null;
  if (asked) asking.ask(`${key} ${job.entries.length}`, asked.path, asked.body);
  else asking.stop();
}

function take(_, answer) {
  answered(job, answer);
  changed();
}

function told(asked = screen.dataset.asked) {
  screen.dataset.asked = asked ?? "";
  const away = asking.away || !navigator.onLine;
  const word = unkept ? "bench.not-kept" : asking.shut ? "bench.shut" : away ? "bench.not-connected" : "bench.kept";
  status.textContent = job || away ? [filing.says(key, job), say(word)].filter(Boolean).join(" · ") : "";
  status.classList.toggle("away", unkept || away);
  if (job && shown.startsWith("waiting") && shown !== `waiting ${asking.away} ${asking.shut}`) draw();
}

/** Keep the job, ask the service, draw. */
function changed() {
  keep();
  sync();
  filing.look(key, job);
  draw();
}

/** Keep what was stored with the job that it is of, whether that is open here or not. */
function filed(which, name, what) {
  const content = which === key ? job : readJob(which);
  if (!content) return;
  content.filed = { ...content.filed, [name]: what };
  try {
    jobs.write(which, content);
  } catch (error) {
    if (!(error instanceof NotKept)) throw error; // it is sent again, with the same key, and stored once
  }
}

/** Offer a machine of the farm on the first screen. */
async function openStored(id) {
  Object.assign(ui, { wrong: "", named: id });
  try {
    Object.assign(ui, { stored: await opened(id), machine: "farm", units: null });
  } catch (error) {
    ui.wrong = error.status === 404 ? say("bench.no-such", { name: id }) : unanswered(error);
  }
  draw();
}

function keep() {
  try {
    jobs.write(key, job);
    jobs.current = key;
    unkept = false;
  } catch (error) {
    if (!(error instanceof NotKept)) throw error;
    unkept = true;
  }
}

function enter(entry) {
  ui = {};
  add(job, entry);
  changed();
}

function typing(text) {
  job.draft = text;
  keep();
}

function open(what) {
  ui = { over: what };
  draw();
}

function takeBack() {
  if (Object.keys(ui).length) ui = {};
  else if (!undo(job)) return;
  changed();
}

function begin(fresh) {
  key = jobs.fresh();
  job = fresh;
  ui = {};
  if (!hasAbout(job.question) && job.question !== "plan") add(job, { do: "survey", auto: true });
  changed();
}

/** Return a job as the browser keeps it, null where there is none that can be read. */
function readJob(which) {
  try {
    const content = which && jobs.read(which);
    return readable(content) ? content : null;
  } catch (error) {
    if (error instanceof Unreadable) return null;
    throw error;
  }
}

/** Go on with a job as the browser keeps it; return false where there is none that can be read. */
function load(which) {
  const content = readJob(which);
  if (!content) return false;
  [key, job, ui] = [which, content, {}];
  sync();
  filing.look(key, job);
  draw();
  return true;
}

function resume(which) {
  if (load(which)) jobs.current = key;
}

function forget(which, name) {
  if (!window.confirm(say("bench.forget-sure", { name }))) return;
  jobs.remove(which);
  draw();
}

function leave() {
  if (unkept && !window.confirm(say("bench.leave-sure"))) return;
  asking.stop();
  unkept = false;
  [key, job, ui] = [null, null, {}];
  jobs.current = "";
  draw();
}

// A key held down, or the second tap of two, is not meant for the screen that came in between: it may hold a caution.
let tapped = "";
function passOver(event) {
  event.preventDefault();
  event.stopPropagation();
}
screen.addEventListener("keydown", (event) => {
  if (event.repeat && event.key === "Enter" && !event.target.matches("textarea")) passOver(event);
}, true);
screen.addEventListener("click", (event) => {
  if (event.detail > 1 && tapped !== shown) passOver(event);
  tapped = shown;
}, true);
document.getElementById("undo").addEventListener("click", takeBack);
document.getElementById("leave").addEventListener("click", leave);
document.addEventListener("keydown", (event) => {
  if (!job || !(event.ctrlKey || event.metaKey) || event.key !== "z" || event.target.matches("textarea")) return;
  event.preventDefault();
  takeBack();
});
document.addEventListener("paste", (event) => {
  const text = event.clipboardData.getData("text");
  if (!job || !stateOf(job).survey || !/\n|\t|;/.test(text.trim()) || event.target.matches("textarea")) return;
  event.preventDefault();
  ui = { over: "paste", table: text };
  draw();
});
window.addEventListener("beforeunload", (event) => {
  if (unkept) event.preventDefault(); // the browser asks whether the page is to be left
});
window.addEventListener("storage", (event) => {
  // the same job in another tab: what was written last is what counts
  if (key && event.key?.endsWith(key) && event.newValue) load(key); // and not written again: the tabs would never rest
});

const wanted = stored && new URLSearchParams(location.search).get("machine");
if (wanted) {
  history.replaceState(null, "", location.pathname); // a reload goes on with what was begun
  leave();
  openStored(wanted);
} else if (!load(jobs.current)) draw();
for (const { key: which } of stored ? jobs.list() : []) {
  if (which !== key) filing.look(which, readJob(which));
}
document.documentElement.dataset.ready = "true";
