// The examples of the solvers, which the page starts from.

import { inUnits } from "./lengths.js";
import { data, has, say } from "./messages.js";

/** Return a copy of a solver's example without its name; a part that stays is what a lead screw has anyway. */
export function template(solver) {
  const { id, ...rest } = structuredClone(data.templates[solver]);
  for (const { screw } of rest.supports ?? []) if (screw?.turned_part === "stays" && !screw.build) delete screw.turned_part;
  return rest;
}

/** Return a solver's example in a unit, its parts at the same places of the drawing of `bed` as on that of its own. */
export function partsOf(solver, units, bed) {
  const from = inUnits(template(solver), units);
  const along = (axis, at) => {
    const [low, high] = from.bed[axis];
    const [first, last] = bed[axis];
    return Number((first + ((at - low) / (high - low)) * (last - first)).toPrecision(6));
  };
  for (const part of [...(from.supports ?? []), ...(from.rails?.seats ?? [])]) {
    [part.x, part.y] = [along("x", part.x), along("y", part.y)];
  }
  return from;
}

/** Return the solver whose kind of supports a machine has, or null. */
export function kindOf({ supports = [] }) {
  if (supports.some(({ mount }) => mount)) return "kinematic";
  return { 3: "three-screw", 4: "four-screw" }[supports.length] ?? (supports.length > 4 ? "many-screw" : null);
}

/** Return whether what a file holds has the parts of a machine, so that it can be shown; the service judges the rest. */
export function drawable({ bed, supports = [], rails = null }) {
  const every = (list) => Array.isArray(list) && list.every(plain);
  return plain(bed) && every(supports) && (rails === null || (plain(rails) && every(rails.seats)));
}

/** Return what a solver is called on the page; a plug-in keeps its own name. */
export function solverName(solver) {
  return has(`machine.solver-${solver}`) ? say(`machine.solver-${solver}`) : solver;
}

function plain(value) {
  return value !== null && typeof value === "object" && !Array.isArray(value);
}
