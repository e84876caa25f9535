// The start: which machine, which question, or a job to go on with.

import { button, el } from "./dom.js";
import { QUESTIONS, create, jobs, readable, stateOf } from "./job.js";
import { inUnits } from "./lengths.js";
import { language, say } from "./messages.js";
import { machines, Unreadable } from "./store.js";

function kept(shelf) {
  return shelf.list().flatMap(({ key, changed }) => {
    try {
      const content = shelf.read(key);
      return content ? [{ key, changed, content }] : [];
    } catch (error) {
      if (error instanceof Unreadable) return []; // a newer page wrote it; it is left alone
      throw error;
    }
  });
}

/** Choose a machine and a question, or a job that was begun. */
export function startScreen({ ui, begin, resume, redraw }) {
  const known = kept(machines).filter(({ content }) => hasBed(content));
  const begun = kept(jobs).filter(({ content }) => readable(content));
  const chosen = known.find(({ key }) => key === ui.machine) ?? known.find(({ key }) => key === machines.current) ?? known[0];
  const units = ui.units ?? chosen?.content.units ?? "mm";
  const when = new Intl.DateTimeFormat(language, { dateStyle: "medium", timeStyle: "short" });
  return {
    key: `start ${chosen?.key} ${units} ${begun.length} ${known.length}`,
    node: el("section", { class: "start" },
      begun.length ? el("h2", {}, say("bench.go-on")) : null,
      el("ul", { class: "jobs" }, begun.slice(0, 5).map(({ key, changed, content }) => el("li", {},
        button([el("b", {}, content.machine.id ?? say("bench.no-name")),
          el("small", {}, `${say(`bench.question-${content.question}`)} · ${say("bench.readings-count", { count: count(content) })} · ${when.format(new Date(changed))}`)],
        () => resume(key), { class: "wide" })))),
      el("h2", {}, say("bench.machine")),
      known.length
        ? el("div", { class: "choices", role: "group", "aria-label": say("bench.machine") }, known.map(({ key, content }) =>
            button(content.id ?? say("bench.no-name"), () => { ui.machine = key; ui.units = null; redraw(); }, { "aria-pressed": String(key === chosen.key) })))
        : el("p", {}, say("bench.no-machine")),
      el("p", {}, el("a", { class: known.length ? "button" : "button main wide", href: "/bench/machine" }, say("bench.describe-machine"))),
      chosen ? [
        el("h2", {}, say("bench.dial-unit")),
        el("div", { class: "choices", role: "group", "aria-label": say("bench.dial-unit") }, ["mm", "inch"].map((one) =>
          button(say(`bench.${one}`), () => { ui.units = one; redraw(); }, { "aria-pressed": String(one === units) }))),
        el("h2", {}, say("bench.question")),
        el("div", { class: "questions" }, Object.keys(QUESTIONS).map((question) =>
          button([el("b", {}, say(`bench.question-${question}`)), el("small", {}, say(`bench.help-${question}`))],
            () => begin(create(inUnits(chosen.content, units), question)), { class: question === "correct" ? "main" : "" }))),
      ] : null),
    focus: null,
  };
}

const hasBed = ({ bed }) => [bed?.x, bed?.y].every((ends) => ends?.length === 2 && ends.every(Number.isFinite));
const count = (job) => stateOf(job).surveys.reduce((sum, { readings }) => sum + readings.length, 0);
