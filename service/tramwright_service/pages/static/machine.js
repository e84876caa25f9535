// The machine page: describes a machine by drawing and typing. The document is the API's own description of a machine.

import { Checker } from "./checker.js";
import { download, opened } from "./files.js";
import { Form, row } from "./form.js";
import { inUnits, unitsOf } from "./lengths.js";
import { Keeping, forget } from "./machine_stored.js";
import { data, say } from "./messages.js";
import { PlanView } from "./plan_view.js";
import { ScrewEditor } from "./screw_editor.js";
import { NotKept, Unreadable, machines } from "./store.js";
import { drawable, kindOf, partsOf, solverName, template } from "./templates.js";
import { unit, written } from "./units.js";

const MEMBERS = new Set(["id", "units", "bed", "supports", "rails", "indicator", "limit"]);

const $ = (id) => document.getElementById(id);
const form = new Form($("form"), changed);
const view = new PlanView($("plan"), {
  words: { front: say("shared.front"), place },
  moved,
  picked,
  tapped,
});

const farm = data.stored ? new Keeping($("farm"), { start, trouble }) : null;
const checker = new Checker(form, $("standing"));

let key = null;
let machine = {};
let editors = [];
let chosen = null; // {kind, index} of the mark and the row that belong together
let apart = false; // whether each screw is shown with its own fields although all are alike
let waiting = null; // a support or seat that the next tap on the drawing places
let lastBed = { x: [0, 1], y: [0, 1] };

// --- what is open -----------------------------------------------------------------------------------------------

function open(wanted) {
  let content = null;
  try {
    content = machines.read(wanted);
  } catch (error) {
    if (!(error instanceof Unreadable)) throw error;
    trouble(say("machine.unreadable"));
  }
  if (content === null) return false;
  show(wanted, content);
  return true;
}

function show(itsKey, content) {
  key = itsKey;
  machine = content;
  machines.current = key;
  chosen = null;
  apart = false;
  build();
  checker.ask(machine, lastBed);
}

function start(content, fresh = machines.fresh()) {
  keep(fresh, content);
  show(fresh, content);
  return fresh;
}

function keep(itsKey, content) {
  try {
    machines.write(itsKey, content);
    $("title-kept").textContent = new Date().toTimeString().slice(0, 5);
    if ($("trouble").textContent === say("shared.not-kept")) trouble("");
  } catch (error) {
    if (!(error instanceof NotKept)) throw error;
    $("title-kept").textContent = "–";
    trouble(say("shared.not-kept"));
  }
}

function trouble(text) {
  $("trouble").textContent = text;
}

// --- from the document to the page ------------------------------------------------------------------------------

function build() {
  editors = [];
  placing(null); // what waited for its place may be gone
  const alike = !apart && screwsAlike();
  $("alike").checked = alike;
  $("screws").hidden = !machine.supports?.length;
  $("one-screw").replaceChildren(...(alike && machine.supports?.length ? [editor("/supports/*/screw")] : []));
  $("supports").replaceChildren(...(machine.supports ?? []).map((_, index) => supportRow(index, alike)));
  $("seats").replaceChildren(...(machine.rails?.seats ?? []).map((_, index) => seatRow(index)));
  $("has-rails").checked = Boolean(machine.rails);
  $("rails").hidden = !machine.rails;
  const others = Object.keys(machine).filter((name) => !MEMBERS.has(name));
  $("others").hidden = !others.length;
  $("others-list").textContent = others.join(", ");
  listKept();
  refresh();
}

function refresh() {
  const units = unitsOf(machine);
  $("units").value = units;
  for (const editing of editors) editing.update(machine);
  form.fill(machine);
  for (const place of document.querySelectorAll("[data-unit]")) place.textContent = unit(units);
  $("title-id").textContent = machine.id ?? say("machine.no-name");
  const kind = kindOf(machine);
  for (const mount of document.querySelectorAll("[data-mount]")) mount.hidden = kind !== "kinematic";
  for (const button of document.querySelectorAll("[data-kind]")) {
    button.setAttribute("aria-pressed", String(button.dataset.kind === kind));
  }
  for (const part of document.querySelectorAll("[data-row]")) {
    part.classList.toggle("picked", part.dataset.row === chosen?.kind && Number(part.dataset.index) === chosen.index);
  }
  farm?.show(key, machine);
  draw();
}

function draw() {
  const { bed, supports, rails } = machine;
  const numbers = [bed?.x, bed?.y].every((pair) => pair?.every?.(Number.isFinite) && pair[0] < pair[1]);
  if (numbers) lastBed = structuredClone({ x: bed.x, y: bed.y });
  view.draw({ units: unit(unitsOf(machine)), bed: lastBed, supports, seats: rails?.seats, picked: chosen });
}

function editor(pointer) {
  const made = new ScrewEditor(pointer, machine, changed);
  editors.push(made);
  return made.element;
}

function supportRow(index, alike) {
  const made = row("support-row", `/supports/${index}`);
  if (!alike) made.querySelector("[data-screw]").append(editor(`/supports/${index}/screw`));
  return listed(made, "support", index, machine.supports);
}

function seatRow(index) {
  return listed(row("seat-row", `/rails/seats/${index}`), "seat", index, machine.rails.seats);
}

function listed(made, kind, index, all) {
  made.dataset.index = index;
  const title = say(`machine.nth-${kind}`, { n: index + 1 });
  made.querySelector("h3").textContent = title;
  made.setAttribute("aria-label", title);
  made.querySelector("[data-remove]").setAttribute("aria-label", say("machine.remove-nth", { title }));
  made.addEventListener("focusin", () => {
    if (chosen?.kind === kind && chosen.index === index) return;
    chosen = { kind, index };
    refresh();
  });
  made.querySelector("[data-remove]").addEventListener("click", () => {
    all.splice(index, 1);
    chosen = null;
    rebuilt();
    $(`add-${kind}`).focus();
  });
  return made;
}

function screwsAlike() {
  const screws = (machine.supports ?? []).map(({ screw }) => JSON.stringify(screw ?? null));
  return screws.every((screw) => screw === screws[0]);
}

function listKept() {
  const options = machines.list().map((kept) => {
    let name = "?";
    try {
      name = machines.read(kept.key)?.id ?? say("machine.no-name");
    } catch (error) {
      if (!(error instanceof Unreadable)) throw error;
    }
    return new Option(name, kept.key, false, kept.key === key);
  });
  $("kept").replaceChildren(...options);
}

function place({ kind, id, x, y }) {
  return say(`machine.place-${kind}`, { id, x: written(x), y: written(y) });
}

// --- from the page to the document ------------------------------------------------------------------------------

function changed(pointer) {
  if (pointer.endsWith("/screw/build")) {
    for (const { screw } of machine.supports) if (screw?.build) delete screw.turned_part; // the build says it now
  }
  saved();
  if (pointer === "/id") listKept();
}

function saved() {
  keep(key, machine);
  refresh();
  checker.askSoon(machine, lastBed);
}

function rebuilt() {
  build();
  saved();
}

function moved(kind, index, x, y, ended) {
  const one = kind === "support" ? machine.supports[index] : machine.rails.seats[index];
  [one.x, one.y] = [x, y];
  chosen = { kind, index };
  if (ended) saved();
  else refresh();
}

function picked(kind, index) {
  const part = document.querySelector(`[data-row="${kind}"][data-index="${index}"]`);
  part.querySelector(`[data-at$="/x"]`).focus();
}

function tapped(x, y) {
  if (!waiting) return;
  const { kind, index } = waiting;
  placing(null);
  moved(kind, index, x, y, true);
}

function add(kind, all, one) {
  const taken = new Set([...(machine.supports ?? []), ...(machine.rails?.seats ?? [])].map(({ id }) => id));
  let n = all.length + 1;
  while (taken.has(`${kind}-${n}`)) n += 1;
  all.push({ id: `${kind}-${n}`, ...one });
  const index = all.length - 1;
  chosen = { kind, index };
  rebuilt();
  placing(chosen);
  picked(kind, index);
}

function placing(mark) {
  waiting = mark;
  $("hint").textContent = say(mark ? "machine.tap-to-place" : "machine.drag");
}

function takeKind(kind) {
  if (kind === kindOf(machine)) return; // what it has of this kind was placed by somebody
  machine.supports = partsOf(kind, unitsOf(machine), lastBed).supports;
  chosen = null;
  rebuilt();
}

$("alike").addEventListener("change", ({ target }) => {
  apart = !target.checked;
  if (!apart) {
    const [{ screw }] = machine.supports;
    for (const support of machine.supports) {
      if (screw) support.screw = structuredClone(screw);
      else delete support.screw;
    }
  }
  rebuilt();
});

$("has-rails").addEventListener("change", ({ target }) => {
  if (target.checked) {
    machine.rails = partsOf("rail-shim", unitsOf(machine), lastBed).rails;
  } else {
    delete machine.rails;
  }
  rebuilt();
});

$("units").addEventListener("change", ({ target }) => {
  machine = inUnits(machine, target.value);
  rebuilt();
});

$("add-support").addEventListener("click", () => {
  machine.supports ??= [];
  const like = machine.supports.at(-1)?.screw;
  add("support", machine.supports, like ? { screw: structuredClone(like) } : {});
});

$("add-seat").addEventListener("click", () => {
  const { seats } = machine.rails;
  const like = seats.at(-1);
  add("seat", seats, like ? { rail: like.rail, method: like.method } : {});
});

for (const button of document.querySelectorAll("[data-kind]")) {
  button.addEventListener("click", () => takeKind(button.dataset.kind));
}

// --- machines of this browser, and files ------------------------------------------------------------------------

$("kept").addEventListener("change", ({ target }) => open(target.value));

$("template").addEventListener("change", ({ target }) => {
  if (target.value) start(template(target.value));
  target.value = "";
});

$("to-fault").addEventListener("click", () => {
  const told = document.querySelector("[data-fault]");
  told.scrollIntoView({ block: "center" });
  document.querySelector(`[aria-describedby="${told.id}"]`)?.focus();
});

$("download").addEventListener("click", () => {
  const text = `${JSON.stringify(machine, null, 2)}\n`;
  download(machine.id ?? "machine", "json", new Blob([text], { type: "application/json" }));
});

$("file").addEventListener("change", async ({ target }) => {
  trouble("");
  const content = target.files[0] && (await opened(target.files[0]));
  target.value = "";
  const found = content?.machine && typeof content.machine === "object" ? content.machine : content; // a whole request too
  if (found && drawable(found)) start(found);
  else trouble(say("machine.no-machine"));
});

$("remove").addEventListener("click", () => {
  if (!confirm(say("machine.remove-sure", { name: machine.id ?? say("machine.no-name") }))) return;
  machines.remove(key);
  forget(key);
  first();
});

window.addEventListener("storage", ({ key: name, newValue }) => {
  if (name?.endsWith(`.machine.${key}`) && newValue) open(key); // changed in another tab
  else listKept();
});

function first() {
  const known = [machines.current, ...machines.list().map((kept) => kept.key)];
  if (!known.some((one) => one && open(one))) start(template(Object.keys(data.templates)[0]));
}

for (const solver of Object.keys(data.templates)) $("template").append(new Option(solverName(solver), solver));
first();
const wanted = new URLSearchParams(location.search).get("machine");
if (farm && wanted) {
  history.replaceState(null, "", location.pathname); // a reload shows what has become of it here
  farm.open(wanted);
}
document.documentElement.dataset.ready = "true";
