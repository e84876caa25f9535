"""Readings as a spreadsheet writes them: one a row under the names of its columns, or a plain grid."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from typing import Any

from msgspec import Struct

from tramwright_solvers.model.errors import Fault

from ..wire.problems import INVALID, UNREADABLE, RequestError, first_of

NEEDED, TOO = ("x", "y", "value"), ("setup", "time")
SEPARATORS = ("\t", ";", ",")
"""The first of them that stands in the first row parts the cells: where numbers have commas, semicolons part cells."""
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
POINTER = re.compile(r"/survey/readings/(\d+)(?:/(\w+).*)?")

HOW = (
    "the first row names the columns x, y and value, and setup and time where there are any; or it is a grid with x in "
    "the first row, y in the first column and the first cell empty"
)


class Cell(Struct, frozen=True):
    """A cell with its place, both counted from 0."""

    row: int
    column: int
    said: str

    def fault(self, detail: str) -> Fault:
        """Return what is wrong with it, under its name in a spreadsheet."""
        return Fault(name_of(self.row, self.column), detail)


class Readings(Struct, frozen=True):
    """Readings in the shape of ``survey.readings``, and for each of its members the name of the cell it came from."""

    readings: list[dict[str, Any]]
    cells: list[dict[str, str]]

    def place(self, pointer: str) -> str:
        """Return where in the spreadsheet a pointer into the request leads; itself where it leads elsewhere."""
        if not (found := POINTER.fullmatch(pointer)) or int(found[1]) >= len(self.cells):
            return pointer
        own = self.cells[int(found[1])]
        return own.get(found[2] or "value", own["value"])


def name_of(row: int, column: int) -> str:
    """Return the name of a cell, as `row 4, column B`."""
    letters = ""
    column += 1
    while column:
        column, left = divmod(column - 1, 26)
        letters = chr(ord("A") + left) + letters
    return f"row {row + 1}, column {letters}"


def read(content: bytes) -> Readings:
    """Read a spreadsheet that was saved as CSV.

    Raises:
        RequestError: it is none, or something in it is no number; every fault names row and column.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise RequestError(UNREADABLE, "The text is not UTF-8; save it as CSV in UTF-8.") from None
    head = next((line for line in text.splitlines() if line.strip()), "")
    separator = next((one for one in SEPARATORS if one in head), ",")
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        raise RequestError(UNREADABLE, f"This is not CSV as spreadsheets write it ({error}).") from None
    cells = [
        [Cell(at, column, said.strip()) for column, said in enumerate(row)]
        for at, row in enumerate(rows)
        if any(said.strip() for said in row)
    ]
    if len(cells) < 2:
        raise RequestError(UNREADABLE, f"There are no readings: {HOW}.")
    names = [cell.said.lower() for cell in cells[0]]
    known = {*NEEDED, *TOO}
    is_list = bool(known & set(names[1:])) or (names[0] in known and not any(map(is_number, names[1:])))
    if not is_list and is_number(names[0]):
        raise RequestError(INVALID, f"What the columns are is not said: {HOW}.")
    faults = [*too_long(cells, separator), *mixed(cells, separator)]
    if not faults:
        found, faults = listed(cells, names) if is_list else gridded(cells)
        if not faults:
            return found
    raise RequestError(INVALID, first_of(faults), faults)


def too_long(cells: list[list[Cell]], separator: str) -> Iterator[Fault]:
    """Yield a fault for each row with more cells than the first has."""
    for row in cells[1:]:
        if any(cell.said for cell in row[len(cells[0]) :]):
            detail = f"This row has {len(row)} cells and the first row {len(cells[0])}; every row has as many."
            if separator == ",":
                detail += " If commas are decimal here, part the cells with semicolons."
            yield row[len(cells[0])].fault(detail)


def mixed(cells: list[list[Cell]], separator: str) -> Iterator[Fault]:
    """Yield a fault where some numbers have decimal commas and others decimal points: one of them means thousands."""
    numbers = [cell for row in cells for cell in row if NUMBER.fullmatch(cell.said.replace("−", "-"))]
    commas, points = (next((cell for cell in numbers if sign in cell.said), None) for sign in ",.")
    if separator != "," and commas and points:
        yield commas.fault(
            f"`{commas.said}` has a comma and `{points.said}` ({name_of(points.row, points.column)}) a point; write "
            "all numbers with one decimal sign, and none for thousands."
        )


def listed(cells: list[list[Cell]], names: list[str]) -> tuple[Readings, list[Fault]]:
    """Read one reading a row."""
    head, found, faults = cells[0], Readings([], []), list[Fault]()
    known = (*NEEDED, *TOO)
    for place, cell in enumerate(head):
        if cell.said and names[place] not in known:
            faults.append(cell.fault(f"There is no column `{cell.said}`; there are {', '.join(known)}."))
        elif cell.said and names[place] in names[:place]:
            faults.append(cell.fault(f"There is a column `{cell.said}` before this one; keep one."))
    faults += [head[0].fault(f"The column `{name}` is missing; {HOW}.") for name in NEEDED if name not in names]
    for row in cells[1:] if not faults else ():
        reading, places = dict[str, Any](), dict[str, str]()
        missing = [Cell(row[0].row, at, "") for at in range(len(row), len(names))]
        for name, cell in zip(names, [*row, *missing], strict=False):
            places[name] = name_of(cell.row, cell.column)
            if name in TOO:
                if cell.said:
                    reading[name] = number(cell.said) if name == "time" and is_number(cell.said) else cell.said
            elif name and not is_number(cell.said):
                faults.append(no_number(cell, name))
            elif name:
                reading[name] = number(cell.said)
        found.readings.append(reading)
        found.cells.append(places)
    return found, faults


def gridded(cells: list[list[Cell]]) -> tuple[Readings, list[Fault]]:
    """Read a grid: x in the first row, y in the first column; an empty cell was not read."""
    found = Readings([], [])
    across = [cell for cell in cells[0][1:] if cell.said]
    beside = [row[0] for row in cells[1:]]
    faults = [no_number(cell, "x") for cell in across if not is_number(cell.said)]
    faults += [no_number(cell, "y") for cell in beside if not is_number(cell.said)]
    if faults:
        return found, faults
    for line, what in ((across, "x"), (beside, "y")):
        seen = dict[float, Cell]()
        for cell in line:
            first = seen.setdefault(number(cell.said), cell)
            if first is not cell:
                where = name_of(first.row, first.column)
                faults.append(cell.fault(f"{what} {cell.said} stands in {where} too; each has one place in a grid."))
    at_column = {cell.column: cell for cell in across}
    for row in cells[1:]:
        for cell in row[1:]:
            if not cell.said:
                continue
            if (x := at_column.get(cell.column)) is None:
                faults.append(cell.fault("There is no x in the first row of this column."))
            elif not is_number(cell.said):
                faults.append(no_number(cell, "value"))
            else:
                found.readings.append({"x": number(x.said), "y": number(row[0].said), "value": number(cell.said)})
                own = {"x": x, "y": row[0], "value": cell}
                found.cells.append({name: name_of(one.row, one.column) for name, one in own.items()})
    return found, faults


def is_number(said: str) -> bool:
    """Say whether a cell is a number, with a decimal point or comma."""
    return NUMBER.fullmatch(said.replace("−", "-")) is not None


def number(said: str) -> float:
    """Return a cell as a number."""
    return float(said.replace("−", "-").replace(",", "."))


def no_number(cell: Cell, name: str) -> Fault:
    """Return the fault of a cell that should be a number."""
    given = f"`{cell.said[:40]}` is no number" if cell.said else "This cell is empty"
    return cell.fault(f"{given}; give {name} here, as 12.5.")
