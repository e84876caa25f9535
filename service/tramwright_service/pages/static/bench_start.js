// The start: which machine, which question, or a job to go on with.

import { button, el } from "./dom.js";
import { QUESTIONS, create, jobs, readable, stateOf } from "./job.js";
import { inUnits } from "./lengths.js";
import { language, say } from "./messages.js";
import { machines, Unreadable } from "./store.js";
import { chooser, stored } from "./stored.js";

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

const RECENT = 4;
const when = new Intl.DateTimeFormat(language, { dateStyle: "medium", timeStyle: "short" });
const hasBed = ({ bed }) => [bed?.x, bed?.y].every((ends) => ends?.length === 2 && ends.every(Number.isFinite));
const name = (machine) => machine.id ?? say("bench.no-name");

function count(job) {
  return stateOf(job).surveys.reduce((sum, { readings }) => sum + readings.length, 0);
}

const farmOf = ({ id, version, machine: { units = "mm" } }) => ({ id, version, units });

/** Choose a machine and a question, or a job that was begun. */
export function startScreen({ ui, begin, resume, forget, redraw, openStored }) {
  const farm = ui.stored && { key: "farm", content: ui.stored.machine };
  const known = [...(farm ? [farm] : []), ...kept(machines).filter(({ content }) => hasBed(content))];
  const begun = kept(jobs).filter(({ content }) => readable(content));
  const wanted = [ui.machine, farm?.key, machines.current].find((one) => known.some(({ key }) => key === one));
  const chosen = known.find(({ key }) => key === wanted) ?? known[0];
  const units = ui.units ?? chosen?.content.units ?? "mm";

  const job = ({ key, changed, content }) => {
    const { machine, question } = content;
    const readings = say("bench.readings-count", { count: count(content) });
    const about = [say(`bench.question-${question}`), readings, changed && when.format(new Date(changed))];
    return el("li", {},
      button([el("b", {}, name(machine)), el("small", {}, about.filter(Boolean).join(" · "))], () => resume(key)),
      button(say("bench.forget"), () => forget(key, name(machine))));
  };
  const list = (some) => el("ul", { class: "jobs" }, some.map(job));
  const choice = (label, name, pressed, picked) =>
    button(label, () => { Object.assign(ui, picked); redraw(); }, { "aria-pressed": String(pressed), "data-keep": name });
  const choices = (word, all) => [
    el("h2", {}, say(word)), el("div", { class: "choices", role: "group", "aria-label": say(word) }, all),
  ];

  return {
    key: `start ${chosen?.key} ${units} ${begun.length} ${known.length} ${ui.stored?.id} ${ui.wrong}`,
    node: el("section", { class: "start" },
      begun.length ? [el("h2", {}, say("bench.go-on")), list(begun.slice(0, RECENT))] : null,
      begun.length > RECENT ? el("details", {}, el("summary", {}, say("bench.older")), list(begun.slice(RECENT))) : null,
      known.length
        ? choices("bench.machine", known.map(({ key, content }) =>
            choice(key === "farm" ? [el("b", {}, ui.stored.id), el("small", {}, say("bench.stored"))] : name(content),
              key, key === chosen.key, { machine: key, units: null })))
        : [el("h2", {}, say("bench.machine")), el("p", {}, say("bench.no-machine"))],
      stored ? [chooser(openStored, ui.wrong ? ui.named : ""), el("p", { class: "wrong", role: "alert" }, ui.wrong ?? "")] : null,
      el("p", {}, el("a", { class: known.length ? "button" : "button main wide", href: "/bench/machine" },
        say("bench.describe-machine"))),
      chosen ? [
        choices("bench.dial-unit", ["mm", "inch"].map((one) => choice(say(`bench.${one}`), one, one === units, { units: one }))),
        el("h2", {}, say("bench.question")),
        el("div", { class: "questions" }, Object.keys(QUESTIONS).map((question) =>
          button([el("b", {}, say(`bench.question-${question}`)), el("small", {}, say(`bench.help-${question}`))],
            () => begin(create(inUnits(chosen.content, units), question, chosen === farm && farmOf(ui.stored))),
            { class: question === "correct" ? "main" : "" }))),
      ] : null),
    focus: null,
  };
}
