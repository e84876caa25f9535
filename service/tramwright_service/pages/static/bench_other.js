// The other questions: how each survey was laid or read, and the answer in the service's words.

import { patiently, post } from "./api.js";
import { cautionList, unanswered } from "./bench_read.js";
import { button, el } from "./dom.js";
import { say } from "./messages.js";
import { typed, unit } from "./units.js";

/** What is asked before each survey of a question: name, unit, whether it must be given. */
const ABOUT = {
  reversal: [["turned", "degrees", true], ["shifted-x", "length", false], ["shifted-y", "length", false]],
  comparison: [["bed_temperature", "celsius", false]],
  height: [["height", "length", true]],
};

/** Return whether anything is asked before a survey. */
export const hasAbout = (question) => question in ABOUT;

/** How this survey is taken: plate turned and shifted, bed temperature, height. */
export function aboutScreen({ job, state, enter }) {
  const units = unit(job.machine.units);
  const number = state.surveys.length + 1;
  const wrong = el("p", { class: "wrong", role: "alert" });
  const fields = ABOUT[job.question].map(([name, kind, needed]) => {
    const input = el("input", { id: name, inputmode: "decimal", autocomplete: "off", required: needed });
    if (name === "turned") input.value = number === 1 ? "0" : "90";
    const of = { length: units, degrees: "°", celsius: "°C" }[kind];
    const label = `${say(`bench.${name.replace("_", "-")}`)} (${of})`;
    return { name, needed, input, node: el("div", {}, el("label", { for: name }, label), input) };
  });
  const take = (event) => {
    event.preventDefault();
    const about = {};
    for (const { name, needed, input } of fields) {
      const value = typed(input.value);
      if (Number.isNaN(value) || (value === null && needed)) {
        wrong.textContent = say(value === null ? "bench.nothing-typed" : "bench.no-number", { typed: input.value });
        input.focus();
        return;
      }
      if (value !== null) about[name] = value;
    }
    const { "shifted-x": x, "shifted-y": y, ...rest } = about;
    const shifted = x === undefined && y === undefined ? {} : { shifted: [x ?? 0, y ?? 0] };
    const { stations, closing } = state.surveys[0] ?? {};
    enter({ do: "survey", about: { ...rest, ...shifted }, ...(stations && { stations, closing }) });
  };
  return {
    key: `about ${number}`,
    node: el("section", {},
      el("h2", {}, say("bench.survey-number", { number })),
      el("p", {}, say(`bench.about-${job.question}`)),
      el("form", { submit: take, novalidate: true },
        el("div", { class: "fields" }, fields.map(({ node }) => node)), wrong,
        el("button", { class: "main wide" }, say("bench.start-reading")))),
    focus: "input",
  };
}

/** The answer: first what it says, then all of it as text. */
export function answerScreen({ job, answer, asked, enter, leave, ui, redraw }) {
  const more = [answer.undecided?.says, answer.further?.says, ...(answer.remedies ?? [])];
  const whole = el("pre", { tabindex: "0", role: "region", "aria-label": say("bench.whole") },
    el("span", { lang: "en" }, ui.whole ?? ""));
  const wrong = el("p", { class: "wrong", role: "alert" });
  const open = async (event) => {
    if (!event.target.open || ui.whole) return;
    wrong.textContent = "";
    try {
      ui.whole = await patiently(() => post(asked.path, asked.body, { accept: "text/plain", as: "text" }));
      redraw();
    } catch (error) {
      wrong.textContent = unanswered(error);
    }
  };
  return {
    key: `answer ${answer.says} ${Boolean(ui.whole)}`,
    node: el("section", {},
      el("h2", {}, say(`bench.question-${job.question}`)),
      el("p", { class: "says", lang: "en" }, answer.says),
      more.filter(Boolean).map((sentence) => el("p", { lang: "en" }, sentence)),
      answer.cautions?.length ? cautionList(answer.cautions) : null,
      el("details", { toggle: open, open: Boolean(ui.whole) }, el("summary", {}, say("bench.whole")), wrong, whole),
      el("div", { class: "actions" },
        job.question === "plan" || job.question === "comparison" ? null
          : button(say("bench.another-survey"), () => enter({ do: "another" })),
        button(say("bench.other-job"), leave, { class: "main" }))),
    focus: "button.main",
  };
}
