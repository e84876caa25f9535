// Asks the service, with the access key of this browser. An answer comes back as data; a refusal is thrown with its
// faults by JSON Pointer (RFC 6901).

import { another, credentials, key } from "./access.js";

/** The service understood the request and refused it: RFC 9457, `application/problem+json`. */
export class Refused extends Error {
  constructor({ status, headers }, problem) {
    super(problem.detail ?? problem.title ?? String(status));
    this.status = status;
    this.after = Number(headers.get("retry-after")) || 0; // seconds after which it may be tried again
    this.problem = problem;
  }

  /** Whether another key may be let in. */
  get shut() {
    return [401, 403].includes(this.status);
  }

  /** Whether the same request may be answered later: what is busy comes back. */
  get passing() {
    return [429, 502, 503, 504].includes(this.status);
  }

  /** Return the sentences about each pointer, as Map {"/machine/bed/x": ["…"]}; "" holds what has no pointer. */
  faults() {
    const found = new Map();
    const errors = this.problem.errors?.length ? this.problem.errors : [{ pointer: "", detail: this.message }];
    for (const { pointer = "", detail } of errors) found.set(pointer, [...(found.get(pointer) ?? []), detail]);
    return found;
  }
}

/** No answer came: the network or the service is away. Whatever was typed is still in the page. */
export class NoAnswer extends Error {}

/** Get a document as JSON. Throws Refused, NoAnswer; an aborted request throws the browser's AbortError. */
export async function get(path, { signal } = {}) {
  return read(await ask(path, { signal, headers: { accept: "application/json" } }));
}

/** Send a JSON body; return what is answered, in the form accepted and read `as` that. Throws as `get` does. */
export async function post(
  path, body, { accept = "application/json", as = "json", signal, method = "POST", headers = {} } = {},
) {
  return read(await ask(path, {
    method,
    headers: { "content-type": "application/json", accept, ...headers },
    body: JSON.stringify(body),
    signal,
  }), as);
}

/** Read an answer to its end, `as` "json", "text" or "blob"; one that is cut off is none. Throws as `get` does. */
export async function read(response, as = "json") {
  try {
    return await response[as]();
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new NoAnswer(String(error));
  }
}

/** Ask for something that is drawn, and again while the service is busy drawing. Throws as `get` does. */
export async function patiently(question, tries = 8) {
  try {
    return await question();
  } catch (error) {
    if (!error.passing || !tries) throw error;
    await new Promise((go) => { setTimeout(go, 1000 * (error.after || 1)); });
    return patiently(question, tries - 1);
  }
}

/** Return the path of a stored machine, or of something of it. */
export function ofMachine(id, ...rest) {
  return ["/v1/machines", encodeURIComponent(id), ...rest].join("/");
}

/** Fetch something; where the service wants a key, the person is asked for one. Throws as `get` does. */
export async function ask(path, options) {
  let response;
  const used = key();
  try {
    const headers = { ...options.headers, ...credentials() };
    response = await fetch(path, { ...options, headers, credentials: "same-origin", redirect: "error" });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new NoAnswer(String(error));
  }
  if (response.ok) return response;
  let problem;
  try {
    problem = await response.json();
  } catch {
    throw new NoAnswer(`${response.status}`); // something between here and the service answered
  }
  if (response.status === 401 && (await another(used, used && problem.detail))) return ask(path, options);
  throw new Refused(response, problem);
}
