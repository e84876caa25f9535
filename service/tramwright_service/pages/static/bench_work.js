// Work screens: one step at a time with the dial's goal, what it says afterwards, the verdict and the sheet.

import { patiently, post } from "./api.js";
import { cautionList, faults, spot, unanswered, where } from "./bench_read.js";
import { button, el } from "./dom.js";
import { download } from "./files.js";
import { keypad } from "./keypad.js";
import { say } from "./messages.js";
import { length, signed, unit } from "./units.js";

const ARROWS = { up: "↑", down: "↓", still: "=" };

/** Waiting for the service: what was typed is kept, and it is asked until it answers. */
export function waitingScreen({ away, shut, again }) {
  return {
    key: `waiting ${away} ${shut}`,
    node: el("section", {},
      el("h2", {}, say(shut ? "bench.shut" : away ? "bench.away" : "bench.asking")),
      away ? el("p", {}, say("bench.away-says")) : null,
      away ? button(say("bench.ask-again"), again, { class: "main wide" }) : null),
    focus: away ? "button.main" : null,
  };
}

/** The service refuses the survey: why, in its own words. */
export function refusedScreen({ answer, takeBack, open }) {
  return {
    key: `refused ${answer.problem.detail}`,
    node: el("section", {},
      el("h2", {}, say("bench.refused")),
      faults(answer.problem),
      el("div", { class: "actions" },
        button(say("bench.undo"), takeBack, { class: "main" }),
        button(say("bench.paste"), () => open("paste")))),
    focus: "button.main",
  };
}

/** The readings do not bear an answer yet: which are wanted, and why. */
export function moreScreen({ answer, enter }) {
  const stations = answer.advice.read.map(({ x, y }) => ({ x, y }));
  return {
    key: `more ${answer.says}`,
    node: el("section", {},
      el("h2", {}, say(`bench.advice-${answer.advice.do}`)),
      el("p", { class: "says", lang: "en" }, answer.says),
      button(say("bench.read-these", { count: stations.length }), () => enter({ do: "more", stations }),
        { class: "main wide" })),
    focus: "button.main",
  };
}

/** Return the step to be done now, or null where the work is done and the machine is to be read again. */
export function stepOf(answer) {
  const step = answer.steps[0];
  return step && step.adjuster !== null ? step : null;
}

/** A step in the service's words: what to turn and which way, large; where the dial is to go stands above already. */
function told(sentence) {
  const cut = Math.max(sentence.search(/ \(|; the dial at /), 0);
  return el("p", { class: "says", lang: "en" }, el("strong", {}, sentence.slice(0, cut)), sentence.slice(cut));
}

/** One step: what to turn, where the dial stands, and where it must go. */
export function stepScreen(context) {
  const { job, state, answer, ui, enter, typing, redraw } = context;
  const step = stepOf(answer);
  const units = job.machine.units;
  const { adjuster, travel, park } = step;
  const done = (read) => {
    ui.asked = false;
    enter({ do: "step", adjuster, travel, park, read });
  };
  const goal = el("div", { class: "goal" },
    el("p", {}, el("small", {}, say("bench.dial-from")), " ", signed(step.dial_before, units)),
    el("p", { class: "arrow", "aria-hidden": "true" }, ARROWS[step.dial_goes] ?? ""),
    el("p", { class: "target" }, el("small", {}, say("bench.dial-to")), " ", signed(step.dial_after, units),
      el("small", {}, ` ${unit(units)}`)));
  const progress = state.done.length && answer.progress
    ? el("p", { class: answer.progress.next === "go-on" ? "notice" : "wrong", role: "status", lang: "en" }, answer.progress.says) : null;
  if (ui.asked) {
    return {
      key: `says ${state.done.length}`,
      node: el("section", { class: "station" },
        el("h2", {}, say("bench.step", { number: state.done.length + 1, adjuster })),
        spot(park),
        goal,
        keypad({ label: say("bench.dial-says-now"), units, draft: job.draft, changed: typing, accept: done }),
        el("div", { class: "actions" },
          button(say("bench.back"), () => { ui.asked = false; redraw(); }),
          button(say("bench.not-read"), () => done(null)))),
      focus: "#reading",
    };
  }
  const turning = state.done.length > 0 && answer.progress?.next === "turn-back";
  const heading = say(turning ? "bench.turn-back" : "bench.step", { number: state.done.length + 1, adjuster });
  return {
    key: `step ${state.done.length} ${step.do}`,
    node: el("section", { class: "step" },
      el("h2", { class: turning ? "stop" : "" }, heading),
      progress,
      el("div", { class: "place" },
        where(job.machine, state.survey.stations, park, adjuster),
        el("div", {}, el("p", { class: "faint" }, say("bench.park")), spot(park))),
      goal,
      answer.cautions.length
        ? el("details", {}, el("summary", {}, say("bench.care")), cautionList(answer.cautions))
        : null,
      told(step.do),
      button(say("bench.done"), () => { ui.asked = true; redraw(); }, { class: "main wide" })),
    focus: "button.main",
  };
}

/** An adjuster does not do what it is told. */
export function stopScreen({ answer, readAgain, takeBack }) {
  return {
    key: `stop ${answer.progress.says}`,
    node: el("section", {},
      el("h2", { class: "stop" }, say("bench.stop")),
      el("p", { class: "wrong says", role: "alert", lang: "en" }, answer.progress.says),
      cautionList(answer.cautions),
      button(say("bench.do-again"), takeBack, { class: "main wide" }),
      button(say("bench.read-all"), readAgain, { class: "wide" })),
    focus: "button.main",
  };
}

/** All steps are done: read the machine once more. */
export function closingScreen({ answer, state, readAgain }) {
  return {
    key: `closing ${state.done.length}`,
    node: el("section", {},
      el("h2", {}, say("bench.all-done")),
      el("p", { class: "says", lang: "en" }, answer.progress.says),
      button(say("bench.read-all"), readAgain, { class: "main wide" })),
    focus: "button.main",
  };
}

/** The verdict, and the sheet to keep. */
export function endScreen({ job, answer, asked, readAgain, leave }) {
  const { verdict, as_found: { total, expanded } } = answer;
  const units = job.machine.units;
  const told = el("p", { class: "wrong", role: "alert" });
  return {
    key: `end ${answer.says}`,
    node: el("section", { class: "end" },
      el("p", { class: `verdict ${verdict.as_found}` }, say(`bench.verdict-${verdict.as_found}`)),
      el("p", { class: "total" }, say("bench.total", { total: length(total, units), expanded: length(expanded, units) }),
        el("small", {}, say("bench.limit", { limit: length(verdict.limit, units) }))),
      el("p", { class: "says", lang: "en" }, answer.says),
      verdict.decided_by ? el("p", { lang: "en" }, verdict.decided_by) : null,
      button(say("bench.sheet"), () => sheet(asked, told, job), { class: "main wide" }),
      told,
      el("div", { class: "actions" },
        button(say("bench.read-all"), readAgain),
        button(say("bench.other-job"), leave))),
    focus: "button.main",
  };
}

/** Get the sheet of a correction and hand it over as a file that any browser opens and prints. */
async function sheet({ path, body }, told, job) {
  told.textContent = "";
  try {
    const page = await patiently(() => post(path, body, { accept: "text/html", as: "blob" }));
    download(job.machine.id ?? "machine", "html", page);
  } catch (error) {
    told.textContent = unanswered(error);
  }
}
