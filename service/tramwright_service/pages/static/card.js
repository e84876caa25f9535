// One machine as a card in somebody else's page. It asks now and then and holds no connection: browsers open six to a
// service, and a page may show forty cards.

import { keep } from "./access.js";
import { NoAnswer, Refused, get, ofMachine } from "./api.js";
import { el } from "./dom.js";
import { say } from "./messages.js";
import { dated, gauge, mark, totals, visit } from "./standing.js";
import { dark, picture } from "./thumbnails.js";

const EVERY = 30_000;
const SCALE = 0.1; // mm, unless the address says another

const query = new URLSearchParams(location.search);
const given = new URLSearchParams(location.hash.slice(1)).get("key");
const machine = decodeURIComponent(location.pathname.split("/").at(-2));
const scale = Number(query.get("scale")) > 0 ? Number(query.get("scale")) : SCALE;
const [bed, says] = document.querySelectorAll(".bed, .says");
const image = el("img", { alt: say("card.map"), width: "120", height: "120" });
let row = null;

// A key in the fragment is sent to nobody; it is taken out of the address and forgotten with the card.
if (given) {
  keep(given, { lasting: false });
  history.replaceState(null, "", location.pathname + location.search);
}

function draw(trouble = "") {
  const link = el("a", { href: `/farm?machine=${encodeURIComponent(machine)}`, target: "_blank", rel: "noopener" }, machine);
  const known = row ? [
    mark(row.standing), gauge(row), totals(row), el("p", {}, visit(row.visit)),
    row.drift && el("p", { class: "drifts" }, say("farm.drifts", { at: dated(row.drift.at) })),
    el("p", { class: "faint" }, [row.taken_at && dated(row.taken_at), row.site].filter(Boolean).join(" · ")),
  ] : [];
  says.replaceChildren(el("h1", {}, link), ...known.filter(Boolean), trouble && el("p", { class: "faint", role: "status" }, trouble));
  bed.replaceChildren(...(row && row.survey !== null ? [image] : []));
  if (row && row.survey !== null) picture(image, machine, row.survey, scale);
}

async function look() {
  let wait = EVERY;
  try {
    if (!document.hidden || !row) row = await get(ofMachine(machine, "standing"));
    draw();
  } catch (error) {
    if (error instanceof NoAnswer) draw(say("card.away"));
    else if (error instanceof Refused) {
      wait = Math.max(wait, 1000 * error.after);
      const word = { 401: "card.shut", 403: "card.shut", 404: "card.gone" }[error.status];
      if (word) row = null;
      draw(word ? say(word) : error.message);
    } else throw error;
  }
  setTimeout(look, wait);
}

dark.addEventListener("change", () => draw());
document.title = machine;
await look();
document.documentElement.dataset.ready = "true";
