// One machine of the farm looked at closely: how it stands, what it takes, its history and notes.

import { NoAnswer, Refused, get, ofMachine } from "./api.js";
import { button, el } from "./dom.js";
import { Chart, TERMS } from "./farm_history.js";
import { language, say } from "./messages.js";
import { dated, gauge, mark, totals, visit } from "./standing.js";
import { picture } from "./thumbnails.js";
import { signed, unit } from "./units.js";

const POINTS = 500;
const AGAIN = 4000; // ms until it is asked again where nothing was answered
const NOTES = 5;
const JUMPS = 3;
const when = new Intl.DateTimeFormat(language, { dateStyle: "medium", timeStyle: "short" });

/** What stands at an address, null where there is nothing there. */
async function found(path, signal) {
  try {
    return await get(path, { signal });
  } catch (error) {
    if (error instanceof Refused && error.status === 404) return null;
    throw error;
  }
}

export class Closely {
  /** `close()` is called when the person goes back to all machines. */
  constructor(place, { close }) {
    Object.assign(this, { place, close, id: null, term: "total", told: "" });
    this.chart = new Chart();
    this.image = el("img", { width: "240", height: "240" });
    this.details = el("details", {}, el("summary", {}, say("farm.figures")), el("div", { class: "table", tabindex: "0" }));
  }

  /** Show a machine, by its name, once `refresh` has asked how it stands; null shows none. */
  show(id) {
    if (id === this.id) return;
    this.request?.abort(); // what is on its way is of another machine
    Object.assign(this, { id, term: "total", told: "" });
    this.place.hidden = id === null;
    this.place.replaceChildren(this.#head(id ?? ""));
    this.details.open = false;
  }

  /** Ask again how it stands, and draw what has changed. */
  async refresh(scale) {
    this.request?.abort();
    this.request = new AbortController();
    const { id, request: { signal } } = this;
    if (id === null) return;
    try {
      const [standing, history, notes] = await Promise.all([
        found(ofMachine(id, "standing"), signal),
        found(`${ofMachine(id, "history")}?limit=${POINTS}`, signal),
        found(`${ofMachine(id, "notes")}?limit=${NOTES}`, signal),
      ]);
      const told = JSON.stringify([standing, { ...history, as_of: null }, notes, scale]);
      if (signal.aborted || told === this.told) return;
      this.told = told;
      this.#draw(standing, history, notes?.notes ?? [], scale);
    } catch (error) {
      if (error.name === "AbortError" || signal.aborted) return;
      if (error instanceof NoAnswer || error.passing) { // what is there stays
        setTimeout(() => signal.aborted || this.refresh(scale), Math.max(AGAIN, 1000 * (error.after ?? 0)));
        return;
      }
      if (!(error instanceof Refused)) throw error;
      this.place.replaceChildren(this.#head(id), el("p", { class: "wrong", role: "alert" }, error.message));
    }
  }

  #head(id) {
    return el("div", { class: "head-of" },
      el("h2", { id: "name", tabindex: "-1", "data-keep": "name" }, id),
      button(say("farm.close"), this.close, { "data-keep": "back" }));
  }

  #draw(standing, history, notes, scale) {
    const { id } = this;
    const within = this.place.contains(document.activeElement) ? document.activeElement : null;
    if (!standing) {
      this.place.replaceChildren(this.#head(id), el("p", { class: "notice" }, say("farm.gone", { name: id })));
      return;
    }
    const { survey, taken_at: taken, stale_at: stale } = standing;
    if (survey !== null) {
      this.image.alt = say("farm.map", { name: id });
      picture(this.image, id, survey, scale ?? 0.1);
    }
    const over = stale && new Date(stale) < Date.now();
    const here = `?machine=${encodeURIComponent(id)}`;
    const facts = [
      ["taken", taken ? when.format(new Date(taken)) : say("farm.never")],
      [over ? "counted-until" : "counts-until", stale ? dated(stale) : taken && say("farm.for-ever")],
      ["site", standing.site],
      ["tag", standing.tags.join(", ")],
    ].filter(([, value]) => value);
    this.place.replaceChildren(
      this.#head(id),
      el("div", { class: "now" },
        survey === null ? null : this.image,
        el("div", {},
          el("p", { class: "stands" }, mark(standing.standing), gauge(standing), totals(standing)),
          el("p", { class: "visit" }, visit(standing.visit)),
          el("dl", {}, facts.map(([name, value]) => [el("dt", {}, say(`farm.${name}`)), el("dd", {}, value)])))),
      el("p", { class: "actions" },
        el("a", { class: "button main", href: `/bench${here}`, "data-keep": "bench" }, say("farm.go-bench")),
        el("a", { class: "button", href: `/bench/machine${here}`, "data-keep": "machine" }, say("farm.go-describe")),
        el("a", { class: "button", href: `/farm/machines/${encodeURIComponent(id)}/card`, "data-keep": "card" },
          say("farm.card"))),
      ...(history ? this.#history(history) : []),
      el("h3", {}, say("farm.notes")),
      notes.length
        ? el("ul", { class: "notes" }, notes.map(({ text, survey: about, written_at: at }) =>
            el("li", {}, el("small", {}, [dated(at), about && say("farm.about-survey", { number: about })]
              .filter(Boolean).join(" · ")), el("span", {}, text))))
        : el("p", { class: "faint" }, say("farm.no-notes")));
    if (history) this.#chart(history);
    const again = within?.dataset.keep ? this.place.querySelector(`[data-keep="${within.dataset.keep}"]`) : within;
    again?.focus({ preventScroll: true });
  }

  #history(history) {
    const { drift, next_check: check } = history;
    const interval = drift && {
      at: dated(drift.at), earliest: dated(drift.earliest), latest: drift.latest && dated(drift.latest),
    };
    const warning = drift && el("div", { class: "wrong drift" },
      el("strong", {}, say("farm.warning")), say(`farm.warning-${drift.latest ? "says" : "open"}`, interval));
    const choice = el("select", { "data-keep": "term", change: ({ target }) => {
      this.term = target.value;
      this.#chart(history);
    } }, TERMS.filter((term) => history.points.some((point) => term === "total" || point.terms?.[term]))
      .map((term) => el("option", { value: term, selected: term === this.term }, say(`farm.term-${term}`))));
    const due = Date.parse(check?.at) > Date.parse(history.as_of) ? dated(check.at) : say("farm.now");
    return [
      el("h3", {}, say("farm.history")),
      warning ?? el("p", { lang: "en" }, history.says),
      history.points.length > 1
        ? el("div", { class: "chart" },
            el("div", { class: "field" }, el("label", {}, say("farm.term"), choice)), this.chart.node, this.details)
        : el("p", { class: "faint" }, say("farm.too-few")),
      ...history.jumps.slice(0, JUMPS).map((jump) => el("p", { class: "notice" }, this.#jumped(jump, history.units))),
      check?.at ? el("p", {}, el("b", {}, `${say("farm.next-check")}: ${due}. `),
        el("span", { lang: "en" }, check.reason)) : "",
    ];
  }

  #jumped({ earliest, latest, terms }, units) {
    const changed = terms.map(({ term, change }) => `${say(`farm.term-${term}`)} ${signed(change, units)} ${unit(units)}`);
    return say("farm.jumped", { from: dated(earliest), to: dated(latest), terms: changed.join(", ") });
  }

  #chart(history) {
    this.chart.draw(history, this.term);
    this.details.lastChild.replaceChildren(this.chart.table());
  }
}
