// A table of readings as a spreadsheet copies it: a line for each reading (x, y, value, and if need be set-up and
// time), or a grid with x along the first row and y down the first column. Nothing is worked out here.

import { typed } from "./units.js";

const SURE = [/\t/, /;/];
const UNSURE = [/,/, /\s+/]; // a comma may be a decimal sign
const MOST = 20000;

/** A table that cannot be read: its message is a key of the page's words, `line` and `cell` say where. */
export class Unreadable extends Error {
  constructor(reason, line = 0, cell = "") {
    super(reason);
    Object.assign(this, { reason, line, cell });
  }
}

/**
 * Return the readings of a pasted table, in its order: [{x, y, value, setup?, time?}].
 *
 * Throws Unreadable where no separator makes a table of it.
 */
export function readTable(text) {
  const lines = text.split(/\r?\n/)
    .map((line, at) => ({ line: line.replace(/\s+$/, ""), at: at + 1 })).filter(({ line }) => line);
  if (!lines.length) throw new Unreadable("paste-empty");
  if (lines.length > MOST) throw new Unreadable("paste-long");
  let fault = null;
  const sure = SURE.find((separator) => separator.test(lines[0].line));
  for (const separator of sure ? [sure] : UNSURE) {
    const rows = lines.map(({ line, at }) => ({ at, cells: cells(line, separator) }));
    try {
      return isGrid(rows) ? readGrid(rows) : readList(rows);
    } catch (error) {
      if (!(error instanceof Unreadable)) throw error;
      if (!fault || error.message === "paste-number") fault = error;
    }
  }
  throw fault;
}

function cells(line, separator) {
  const blankFirst = separator.source === "\\s+" ? line.trim() : line;
  return blankFirst.split(separator).map((cell) => cell.trim().replace(/^"(.*)"$/, "$1"));
}

const isNumber = (cell) => Number.isFinite(typed(cell) ?? NaN);

/** A grid's corner is empty or a word, and numbers stand beside it; without a corner only its width tells. */
function isGrid(rows) {
  const [corner, ...rest] = rows[0].cells;
  return rest.length > 0 && rest.every(isNumber) && (!isNumber(corner) || rest.length > 4);
}

function readGrid(rows) {
  const xs = rows[0].cells.slice(1).map(typed);
  const readings = [];
  for (const { at, cells } of rows.slice(1)) {
    const y = typed(cells[0]);
    if (!isNumber(cells[0])) throw new Unreadable("paste-number", at, cells[0]);
    if (cells.length > xs.length + 1) throw new Unreadable("paste-columns", at, cells.at(-1));
    cells.slice(1).forEach((cell, i) => {
      if (cell === "") return;
      if (!isNumber(cell)) throw new Unreadable("paste-number", at, cell);
      readings.push({ x: xs[i], y, value: typed(cell) });
    });
  }
  if (!readings.length) throw new Unreadable("paste-empty");
  return readings;
}

function readList(rows) {
  const headed = rows[0].cells.length > 2 && !rows[0].cells.some(isNumber);
  const readings = rows.slice(headed ? 1 : 0).map(({ at, cells }) => {
    if (cells.length < 3 || cells.length > 5) throw new Unreadable("paste-columns", at, cells.join(" "));
    const wrong = cells.slice(0, 3).find((cell) => !isNumber(cell));
    if (wrong !== undefined) throw new Unreadable("paste-number", at, wrong);
    const [x, y, value] = cells.map(typed);
    const [, , , setup, time] = cells;
    return { x, y, value, ...(setup && { setup }), ...(time && { time: isNumber(time) ? typed(time) : time }) };
  });
  if (!readings.length) throw new Unreadable("paste-empty");
  return readings;
}
