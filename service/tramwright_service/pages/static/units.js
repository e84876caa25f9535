// How numbers are typed and shown: decimal sign, digits, sign, unit. Nothing is computed here but mm to inch and back.

import { say } from "./messages.js";

const MM_PER_INCH = 25.4;
const DIGITS = { mm: 3, inch: 5 };
const MARK = say("shared.decimal-sign"); // what Intl knows of it takes a slow phone a quarter of a second to load

/** Return the number that was typed: null for nothing, NaN for what is no number. A comma is a decimal sign. */
export function typed(text) {
  const plain = text.trim().replace("−", "-").replace(",", ".");
  if (plain === "") return null;
  return /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d{1,3})?$/i.test(plain) ? Number(plain) : NaN;
}

/** Return a number as it is put into a field: up to ten digits, with the decimal sign of the language. */
export function written(value) {
  if (typeof value === "number") return String(Number(value.toPrecision(10))).replace(".", MARK);
  return value === null || value === undefined ? "" : String(value);
}

/** Return a length with its unit, as "0.250 mm". */
export function length(value, units) {
  return `${fixed(value, units)} ${unit(units)}`;
}

/** Return a length with its sign and without unit, as "+0.250" or "−0.250"; zero has none. */
export function signed(value, units) {
  const text = fixed(Math.abs(value), units);
  return Number(value.toFixed(DIGITS[units])) === 0 ? text : `${value < 0 ? "−" : "+"}${text}`;
}

/** Return the short name of a unit. */
export function unit(units) {
  return units === "inch" ? "in" : "mm";
}

/** Return a length in the other unit. Millimetres have fewer digits than inches keep, so that they come back the same. */
export function converted(value, from, to) {
  if (from === to) return value;
  return Number(to === "mm" ? (value * MM_PER_INCH).toPrecision(12) : (value / MM_PER_INCH).toPrecision(15));
}

/** Return a length without sign and unit, as "0.250". */
export function fixed(value, units) {
  return value.toFixed(DIGITS[units]).replace("-", "−").replace(".", MARK);
}
