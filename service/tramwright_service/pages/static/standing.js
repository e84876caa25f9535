// How a machine stands, in words, signs and one gauge line; for the farm page and the card.

import { el } from "./dom.js";
import { language, say } from "./messages.js";
import { shape } from "./plan_view.js";
import { fixed, length } from "./units.js";

/** Coverage factor of the expanded uncertainty that is shown. */
export const K = 2;
const LIMIT_AT = 60; // of the gauge's 100
const day = new Intl.DateTimeFormat(language, { dateStyle: "medium" });

/** Return a day as people write it. */
export const dated = (time) => day.format(new Date(time));

/** Return the sign and the word of a standing. */
export function mark(standing) {
  return el("span", { class: `mark ${standing}` }, say(`farm.standing-${standing}`));
}

/** Return total and limit in words; null where there are none. */
export function totals({ total, u, limit, units }) {
  if (total === null) return null;
  return el("span", { class: "total" },
    say("farm.total", { total: fixed(total, units), expanded: length(K * u, units) }),
    el("small", {}, say("farm.of-limit", { limit: length(limit, units) })));
}

/** Return the total as a line against its limit, with what is not known of it at its end. */
export function gauge({ total, u, limit }) {
  const svg = shape("svg", { class: "gauge", viewBox: "0 0 100 12", preserveAspectRatio: "none", "aria-hidden": "true" });
  if (total === null) return svg;
  const at = (value) => Math.max(0, Math.min((LIMIT_AT * value) / limit, 100));
  const [low, high] = [at(total - K * u), at(total + K * u)];
  svg.append(
    shape("path", { class: "ground", d: "M0 6H100" }),
    shape("path", { class: "reach", d: `M${low} 6H${high}` }),
    shape("path", { class: "bar", d: `M0 6H${at(total)}` }),
    shape("path", { class: "tick", d: `M${LIMIT_AT} 0V12` }),
  );
  return svg;
}

/** Return what a visit takes, in a sentence. */
export function visit({ do: what, moves, adjusters }) {
  return what === "move" ? say("farm.do-move", { count: moves, names: adjusters.join(", ") }) : say(`farm.do-${what}`);
}
