// Reads and writes a JSON document by JSON Pointer (RFC 6901); "*" stands for every member of a list.

/** Return what stands at a pointer, undefined if nothing does; of a list, its first member speaks for "*". */
export function at(document, pointer) {
  return parts(pointer).reduce((node, part) => node?.[part === "*" ? 0 : part], document);
}

/** Put a value at a pointer; undefined takes it out, and with it every list and object that is empty then. */
export function put(document, pointer, value) {
  into(document, parts(pointer), value);
}

/** Return whether a pointer is meant by another that may hold "*". */
export function means(pattern, pointer) {
  const [one, other] = [parts(pattern), parts(pointer)];
  return one.length === other.length && one.every((part, i) => part === other[i] || (part === "*" && /^\d+$/.test(other[i])));
}

/** Return the pointer of what holds this one; that of the document is "". */
export function above(pointer) {
  return pointer.slice(0, pointer.lastIndexOf("/"));
}

function parts(pointer) {
  return pointer.split("/").slice(1).map((part) => part.replaceAll("~1", "/").replaceAll("~0", "~"));
}

function into(node, [part, ...rest], value) {
  if (part === "*") {
    for (const each of Object.keys(node)) into(node, [each, ...rest], structuredClone(value));
  } else if (rest.length) {
    if (value === undefined && (node[part] === undefined || node[part] === null)) return;
    if (typeof node[part] !== "object" || node[part] === null) node[part] = /^\d+$/.test(rest[0]) ? [] : {};
    into(node[part], rest, value);
    if (value === undefined && empty(node[part]) && !Array.isArray(node)) delete node[part];
  } else if (Array.isArray(node)) {
    node[part] = value ?? null;
  } else if (value === undefined) {
    delete node[part];
  } else {
    node[part] = value;
  }
}

function empty(node) {
  return Object.values(node).every((value) => value === null || value === undefined);
}
