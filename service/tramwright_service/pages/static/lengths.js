// Which members of a machine are lengths: all that stand in its `units`.

import { converted } from "./units.js";

const ADJUSTER = { x: 1, y: 1, travel: [1], step: 1, setting: 1 };
const SHEETS = [{ $: 1, thickness: 1 }];
const LENGTHS = {
  bed: { x: [1], y: [1], thickness: 1 },
  supports: [{ ...ADJUSTER, z: 1, screw: { lead: 1 } }],
  rails: {
    block_spacing: 1, tool_offset: 1, stock: SHEETS,
    seats: [{ ...ADJUSTER, stock: SHEETS, fitted: [1] }],
  },
  indicator: { division: 1, error_limit: 1, repeatability: 1 },
  limit: { total: 1 },
};

/** Return the unit of a machine; one that the service does not know, and will refuse, counts as mm. */
export function unitsOf(machine) {
  return machine.units === "inch" ? "inch" : "mm";
}

/** Return the machine with all its lengths in another unit. What `extras` hold is not known here and stays. */
export function inUnits(machine, units) {
  return { ...walked(machine, LENGTHS, unitsOf(machine), units), units };
}

function walked(node, lengths, from, to) {
  if (typeof node === "number") return lengths === 1 || lengths?.$ ? converted(node, from, to) : node;
  if (node === null || typeof node !== "object" || typeof lengths !== "object") return node;
  if (Array.isArray(node)) return node.map((one) => walked(one, lengths[0], from, to));
  return Object.fromEntries(
    Object.entries(node).map(([name, value]) => [name, lengths[name] ? walked(value, lengths[name], from, to) : value]),
  );
}
