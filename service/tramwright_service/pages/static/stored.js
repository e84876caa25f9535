// The machines of the farm, as the other pages open and store them.

import { ask, get, ofMachine, post, read } from "./api.js";
import { el } from "./dom.js";
import { data, say } from "./messages.js";

const OFFERED = 100;

/** Whether the service has a store. */
export const { stored } = data;

/** Return a stored machine {id, tag, version, machine, site, tags, check_every, solve}. Throws as `get` does. */
export async function opened(id) {
  const response = await ask(ofMachine(id), { headers: { accept: "application/json" } });
  const { machine, ...record } = await read(response);
  return { ...record, machine: trimmed(machine), tag: response.headers.get("etag") };
}

/**
 * Store a machine under its name, with what else is kept of it. With `tag`, the version that it replaces, it is stored
 * only over that one; without, only if there is none. Return {tag, version}. Throws as `get` does, Refused with 412 too.
 */
export async function store(machine, { site, tags, check_every, solve } = {}, tag = null) {
  const response = await ask(ofMachine(machine.id), {
    method: "PUT",
    headers: {
      accept: "application/json", "content-type": "application/json",
      ...(tag ? { "if-match": tag } : { "if-none-match": "*" }),
    },
    body: JSON.stringify({ machine, site, tags, check_every, solve }),
  });
  const { version } = await read(response);
  return { version, tag: response.headers.get("etag") };
}

/** Store a survey; sent again with the same key it is stored once. Return its {number, version}. */
export function storeSurvey(id, survey, key) {
  return post(ofMachine(id, "surveys"), { survey }, { headers: { "idempotency-key": key } });
}

/** Record the moves made after a survey; sent again, the last record counts. */
export function recordMoves(id, number, moves) {
  return post(ofMachine(id, "surveys", number, "moves"), { moves }, { method: "PUT" });
}

/** Return a form that asks for a machine's name and calls `open(name)`; the names there are come when it is used. */
export function chooser(open, value = "") {
  const names = el("datalist", { id: "farm-names" });
  const more = el("small", { class: "faint", hidden: true }, say("shared.farm-more"));
  const field = el("input", {
    id: "farm-name", list: "farm-names", value, autocomplete: "off", autocapitalize: "none", spellcheck: "false",
    maxlength: "64", required: true, "data-keep": "farm-name",
    focus: async () => {
      if (names.children.length) return;
      const { machines, next } = await get(`/v1/machines?limit=${OFFERED}`).catch(() => ({ machines: [] }));
      names.replaceChildren(...machines.map(({ id }) => new Option(id, id)));
      more.hidden = !next;
    },
  });
  const take = (event) => {
    event.preventDefault();
    open(field.value.trim());
  };
  return el("form", { class: "chooser", submit: take },
    el("div", { class: "field" }, el("label", { for: "farm-name" }, say("shared.from-farm")), field, names, more),
    el("button", {}, say("shared.open")));
}

/** Return a description without what it does not say: null means the same as nothing there, but in what plug-ins read. */
function trimmed(node) {
  if (node === null || typeof node !== "object") return node;
  if (Array.isArray(node)) return node.map(trimmed);
  const kept = Object.entries(node).filter(([name, value]) =>
    value !== null && !(name === "extras" && !Object.keys(value).length));
  return Object.fromEntries(kept.map(([name, value]) => [name, name === "extras" ? value : trimmed(value)]));
}
