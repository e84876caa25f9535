// The farm page: every machine's standing, the worst first, and one machine looked at closely.

import { NoAnswer, Refused, get } from "./api.js";
import { button, el } from "./dom.js";
import { Closely } from "./farm_machine.js";
import { Live } from "./live.js";
import { data, language, say } from "./messages.js";
import { dated, gauge, mark, totals, visit } from "./standing.js";
import { dark, picture } from "./thumbnails.js";
import { converted, written } from "./units.js";

const STANDINGS = ["outside", "undecided", "never-surveyed", "stale", "within"];
const PAGE = 48;
const MOST = 1000; // of one request
const SCALES = [0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5];
const PAUSE = 400; // ms between two looks at the farm, however much happens
const AGAIN = 4000; // ms until it is looked again where nothing was answered
const MINUTE = 60_000; // what becomes stale meanwhile is told by no event

const $ = (id) => document.getElementById(id);
const plates = new Map(); // id -> {node, told}
const hour = new Intl.DateTimeFormat(language, { timeStyle: "medium" });

let machines = [];
let next = null;
let wanted = PAGE;
let scale = null;
let state = "asking";
let asOf = null;
let looking = null;
let again = false;
let lost = 0;

// --- what is asked for is said by the address, so that it can be kept and sent --------------------------------------

const asked = () => Object.fromEntries(new URLSearchParams(location.search));

function go(changes) {
  const query = new URLSearchParams(location.search);
  for (const [name, value] of Object.entries(changes)) {
    if (value) query.set(name, value);
    else query.delete(name);
  }
  query.delete("language");
  history.pushState(null, "", query.size ? `?${query}` : location.pathname);
  arrived();
}

function arrived() {
  const { site = "", tag = "", machine = null } = asked();
  const { elements } = $("filters");
  [elements.site.value, elements.tag.value] = [site, tag];
  for (const link of document.querySelectorAll(".languages a")) link.search = new URLSearchParams({ ...asked(), language: link.lang });
  if (SCALES.includes(Number(asked().scale))) scale = Number(asked().scale);
  const filtered = filters();
  if (filtered !== arrived.filtered) wanted = PAGE;
  arrived.filtered = filtered;
  $("farm").classList.toggle("close", Boolean(machine));
  closely.show(machine);
  draw();
  return look().catch(unheard);
}

function filters(standing = true) {
  const query = new URLSearchParams();
  for (const name of [...(standing ? ["standing"] : []), "site", "tag"]) if (asked()[name]) query.set(name, asked()[name]);
  return query.toString();
}

/** What was not answered is asked again, and `Live` tells of it; a fault of this page is thrown. */
function unheard(error) {
  clearTimeout(lost);
  if (error instanceof NoAnswer || error.passing) {
    lost = setTimeout(() => look().catch(unheard), Math.max(AGAIN, 1000 * (error.after ?? 0)));
  } else if (!(error instanceof Refused)) throw error;
}

// --- looking at the farm --------------------------------------------------------------------------------------------

/** Look at the farm; while that is under way, once more afterwards and not once for each call. */
function look() {
  if (looking) {
    again = true;
    return looking;
  }
  looking = seen().finally(() => {
    setTimeout(() => {
      looking = null;
      if (again) look().catch(unheard);
      again = false;
    }, PAUSE);
  });
  return looking;
}

async function seen() {
  const about = filters();
  const found = [];
  let cursor = "";
  let page;
  let all;
  try {
    all = asked().standing ? (await get(`/v1/fleet?limit=1&${filters(false)}`)).counts : null;
    do {
      const limit = Math.min(wanted - found.length, MOST);
      page = await get(`/v1/fleet?limit=${limit}${about && `&${about}`}${cursor}`);
      found.push(...page.machines);
      cursor = `&cursor=${encodeURIComponent(page.next)}`;
    } while (page.next && found.length < wanted);
  } catch (error) {
    if (error instanceof Refused && !error.shut) $("trouble").textContent = error.message;
    $("farm").hidden = false;
    throw error;
  }
  if (about !== filters()) {
    again = true; // what was found is no longer what is asked for
    return;
  }
  $("trouble").textContent = "";
  [machines, next, asOf] = [found, page.next, page.as_of];
  scale ??= usual(machines);
  counts(all ?? page.counts);
  draw();
  closely.refresh(scale);
}

/** Return the scale of the page: a bed just at the middle one of the limits takes all of its colours, or nearly. */
function usual(all) {
  const limits = all.filter(({ limit }) => limit).map(({ limit, units }) => converted(limit, units, "mm"));
  const middle = limits.sort((a, b) => a - b)[Math.floor(limits.length / 2)] ?? SCALES[2];
  return SCALES.find((one) => one >= 0.5 * middle * (1 - 1e-9)) ?? SCALES.at(-1);
}

// --- drawing --------------------------------------------------------------------------------------------------------

function draw() {
  const { machine } = asked();
  const list = $("machines");
  const focused = document.activeElement;
  const there = new Set(machines.map(({ id }) => id));
  for (const [id, { node }] of plates) {
    if (there.has(id)) continue;
    node.remove();
    plates.delete(id);
  }
  machines.forEach((row, place) => {
    const node = plate(row);
    if (list.children[place] !== node) list.insertBefore(node, list.children[place] ?? null);
    const link = node.firstChild;
    link.toggleAttribute("aria-current", row.id === machine);
    link.href = `?${new URLSearchParams({ ...asked(), machine: row.id })}`;
    const img = node.querySelector("img");
    if (img) picture(img, row.id, row.survey, scale);
  });
  if (list.contains(focused)) focused.focus({ preventScroll: true }); // what moves in the list loses it
  legend();
  listed("sites", machines.map(({ site }) => site));
  listed("tags", machines.flatMap(({ tags }) => tags));
  told();
}

function plate(row) {
  const about = JSON.stringify(row);
  const known = plates.get(row.id);
  if (known?.told === about) return known.node;
  const node = known?.node ?? el("li");
  const link = node.firstChild ?? el("a", { click: (event) => chosen(event, row.id) });
  const map = row.survey === null
    ? el("span", { class: "no-map" }, say("farm.no-map"))
    : link.querySelector("img") ?? el("img", { alt: say("farm.map", { name: row.id }), width: "96", height: "96" });
  const where = [row.site, ...row.tags].filter(Boolean).join(" · ");
  link.replaceChildren(
    el("span", { class: "bed" }, map),
    el("span", { class: "says" },
      el("b", { class: "name" }, row.id),
      mark(row.standing),
      gauge(row),
      ...[totals(row)].filter(Boolean),
      el("span", { class: "visit" }, visit(row.visit)),
      row.drift ? el("span", { class: "drifts" }, say("farm.drifts", { at: dated(row.drift.at) })) : "",
      el("small", { class: "faint" }, [row.taken_at && dated(row.taken_at), where].filter(Boolean).join(" · "))));
  if (!node.firstChild) node.append(link);
  plates.set(row.id, { node, told: about });
  return node;
}

function chosen(event, id) {
  if (event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  go({ machine: id });
  $("chosen").querySelector("h2")?.focus();
}

function counts(all) {
  const { standing } = asked();
  const numbers = STANDINGS.map((one) => [one, all[one.replace("-", "_")]]);
  const count = numbers.reduce((sum, [, number]) => sum + number, 0);
  counts.shown = standing ? numbers.find(([one]) => one === standing)?.[1] ?? 0 : count;
  const choice = (name, words, pressed) => button(words, () => go({ standing: pressed ? null : name }), {
    "aria-pressed": String(pressed), "data-standing": name ?? "",
  });
  const focused = document.activeElement?.dataset.standing;
  $("counts").replaceChildren(
    ...numbers.map(([one, number]) =>
      choice(one, [mark(one), el("b", {}, String(number))], one === standing)));
  if (focused !== undefined) $("counts").querySelector(`[data-standing="${focused}"]`)?.focus();
}

function legend() {
  if (!scale) return;
  const colours = data.colours[dark.matches ? "dark" : "light"];
  const [low, , high] = $("legend").querySelectorAll(".ends span");
  [low.textContent, high.textContent] = [`−${written(scale)} mm`, `+${written(scale)} mm`];
  $("legend").querySelector(".bands").replaceChildren(...colours.map((colour) => {
    const band = el("span");
    band.style.backgroundColor = colour;
    return band;
  }));
  $("filters").elements.scale.value = String(scale);
}

function listed(where, values) {
  const all = [...new Set(values.filter(Boolean))].sort();
  if ($(where).dataset.all === all.join("\n")) return;
  $(where).dataset.all = all.join("\n");
  $(where).replaceChildren(...all.map((value) => new Option(value, value)));
}

function told() {
  const since = asOf && say("farm.as-of", { time: hour.format(new Date(asOf)) });
  $("state").textContent = [say(`farm.feed-${state}`, { seconds: 15 }), since].filter(Boolean).join(" · ");
  $("state").dataset.state = state;
  if (!asOf) return;
  $("farm").hidden = false;
  $("none").hidden = machines.length > 0;
  const [words, way] = $("none").children;
  words.textContent = say(filters() ? "farm.none-such" : "farm.empty");
  way.hidden = Boolean(filters());
  const left = counts.shown - machines.length;
  $("more").hidden = !next;
  $("more").textContent = say("farm.more", { count: Math.min(left, PAGE) });
  $("shown").textContent = say("farm.shown", { shown: machines.length, count: counts.shown });
}

// --- what people do -------------------------------------------------------------------------------------------------

const closely = new Closely($("chosen"), { close });

function close() {
  const { machine } = asked();
  go({ machine: null });
  plates.get(machine)?.node.firstChild.focus();
}

function begin() {
  const { elements } = $("filters");
  elements.scale.append(...SCALES.map((size) => new Option(say("farm.scale-to", { size: written(size) }), String(size))));
  $("filters").addEventListener("submit", (event) => event.preventDefault());
  $("filters").addEventListener("change", ({ target }) => go({ [target.name]: target.value.trim() }));
  $("more").addEventListener("click", () => {
    wanted = machines.length + PAGE;
    look().catch(unheard);
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && asked().machine && !document.querySelector("dialog")) close();
  });
  window.addEventListener("popstate", arrived);
  dark.addEventListener("change", draw);
  setInterval(() => document.hidden || look().catch(unheard), MINUTE);
  arrived().then(() => { document.documentElement.dataset.ready = "true"; }); // whether the service answers or not
  new Live({ changed: look, told: (now) => { state = now; told(); } }).start();
}

if (data.stored) begin();
else document.documentElement.dataset.ready = "true";
