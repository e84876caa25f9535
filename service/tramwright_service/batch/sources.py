"""Files of surveys, and standard input, read as lines of a batch: NDJSON unchanged, CSV and Parquet converted to it."""

from __future__ import annotations

import csv
import io
import os
import select
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Raw, Struct

from ..wire.media_types import MARK

PIECE = 2**18
ROWS = 256
"""Rows of a Parquet file read at once."""

NDJSON = (".ndjson", ".jsonl")
CSV = (".csv", ".tsv")
PARQUET = (".parquet",)
KINDS = (*NDJSON, *CSV, *PARQUET)

STANDARD_INPUT = Path("-")

READING = ("x", "y", "value", "setup", "time")
NUMBERS = ("x", "y", "value", "time")
NEEDED = ("x", "y", "value")
LONGEST = 64
"""Characters of a machine's name."""
WHOSE = ("machine", "taken_at")
"""Columns of a CSV file that tell its surveys apart."""


class Unfit(Exception):
    """A file that cannot be read as surveys at all; the message says why and what to do."""


class Given(Struct, frozen=True):
    """The machine for surveys that come without one, and how to solve, as they stand in the file."""

    machine: Raw
    solve: Raw | None = None


def given(path: Path) -> Given:
    """Read a machine from a JSON file: the machine itself, or a request that holds it under `machine`.

    A machine without an `id` is called as its file, so that it can be told from those of other files.

    Raises:
        Unfit: the file is not a JSON object.
    """
    whole = _members(path, path.read_bytes().removeprefix(MARK))
    described = _members(path, whole["machine"]) if "machine" in whole else whole
    if "id" not in described:
        described = {"id": Raw(msgspec.json.encode(path.stem[:LONGEST])), **described}
    return Given(Raw(msgspec.json.encode(described)), whole.get("solve") if "machine" in whole else None)


def _members(path: Path, content: bytes | Raw) -> dict[str, Raw]:
    try:
        return msgspec.json.decode(content, type=dict[str, Raw])
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        raise Unfit(f"{path}: this is not a JSON object; give the machine, or a request that holds one.") from None


def files(inputs: Iterable[Path], out: Path) -> list[Path]:
    """Return what is to be read: files as they are named, and those of folders, in the order of their names.

    A folder's hidden files, those of kinds that hold no surveys and the answers of an earlier run are passed over.

    Raises:
        Unfit: a folder holds no surveys.
    """
    found: list[Path] = []
    for one in inputs:
        if one == STANDARD_INPUT or not one.is_dir():
            found.append(one)
            continue
        within = [
            path
            for path in sorted(one.rglob("*"))
            if path.suffix.lower() in KINDS
            and path.is_file()
            and not any(part.startswith(".") for part in path.relative_to(one).parts)
            and not path.resolve().is_relative_to(out.resolve())
        ]
        if not within:
            raise Unfit(f"{one}: no file in this folder ends in one of {', '.join(KINDS)}.")
        found += within
    return list(dict.fromkeys(found))


def pieces(path: Path, machine: Given | None) -> Iterator[tuple[bytes, float]]:
    """Yield a file as bytes of lines, each piece with the share of the file that it is; an empty piece where standard
    input has nothing yet.

    Raises:
        Unfit: the file is of no kind that is read here, or its columns are not those needed.
    """
    kind = path.suffix.lower()
    if path == STANDARD_INPUT:
        yield from _from_standard_input()
    elif kind in NDJSON:
        yield from _as_it_is(path)
    elif kind in CSV:
        yield _from_csv(path, machine), 1.0
    elif kind in PARQUET:
        yield from _from_parquet(path, machine)
    else:
        raise Unfit(f"{path}: what is read here ends in one of {', '.join(KINDS)}; rename the file, or convert it.")


def _as_it_is(path: Path) -> Iterator[tuple[bytes, float]]:
    size = path.stat().st_size
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            yield piece, len(piece) / size


def _from_standard_input() -> Iterator[tuple[bytes, float]]:
    """Never wait: whoever asks has answers to store meanwhile, and may be told to end."""
    while True:
        if not select.select([0], [], [], 0.0)[0]:
            yield b"", 0.0
        elif piece := os.read(0, PIECE):
            yield piece, 0.0
        else:
            return


def _from_csv(path: Path, machine: Given | None) -> bytes:
    """Return one line for each survey: a row is a reading, in the order in which they were taken.

    Rows alike in the columns `machine` and `taken_at`, where there are any, are one survey.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise Unfit(f"{path}: the text is not UTF-8; save it as CSV in UTF-8.") from None
    head = text.partition("\n")[0]
    separator = max(",;\t", key=head.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error as error:
        raise Unfit(f"{path}: this is not CSV as spreadsheets write it ({error}).") from None
    names = [name.strip().lower() for name in (rows[0] if rows else [])]
    columns = {name: names.index(name) for name in (*READING, *WHOSE) if name in names}
    if missing := [name for name in NEEDED if name not in columns]:
        raise Unfit(
            f"{path}: the first row must name the columns x, y and value, and setup and time where there are any; "
            f"{', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing."
        )
    surveys: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for row in rows[1:]:
        if any(cell.strip() for cell in row):
            cells = {name: row[at].strip() if at < len(row) else "" for name, at in columns.items()}
            whose = tuple(cells.pop(name, "") for name in WHOSE)
            surveys.setdefault(whose, []).append(
                {
                    name: _number(cell, separator) if name in NUMBERS else cell
                    for name, cell in cells.items()
                    if cell or name in NEEDED
                }
            )
    lines = []
    for (name, taken_at), readings in (surveys or {("", ""): []}).items():
        called = path.stem if len(surveys) < 2 else " ".join(part for part in (path.stem, name, taken_at) if part)
        survey: dict[str, Any] = {"taken_at": taken_at} if taken_at else {}
        lines.append(_line(called, _machine_of(path, name, machine), survey | {"readings": readings}))
    return b"".join(lines)


def _machine_of(path: Path, name: str, machine: Given | None) -> Given:
    """Return the machine of a survey in a CSV file: from the JSON file with its name or the CSV file's, or as given."""
    if "/" not in name and len(name) <= LONGEST and (beside := path.with_name(f"{name or path.stem}.json")).is_file():
        return given(beside)
    if name:
        raise Unfit(f"{path}: there is no file `{name}.json` beside it that describes the machine `{name}`.")
    if machine is None:
        raise Unfit(
            f"{path}: a CSV file holds readings alone; put the machine beside it as {path.stem}.json, name it in a "
            "column `machine`, or give it with --machine FILE."
        )
    return machine


def _number(cell: str, separator: str) -> float | str:
    """Return a cell as a number, or as text where it is none, so that the answer points at it."""
    plain = cell.replace(",", ".") if separator == ";" else cell  # where commas are decimal, semicolons part cells
    try:
        return float(plain)
    except ValueError:
        return cell


def _from_parquet(path: Path, machine: Given | None) -> Iterator[tuple[bytes, float]]:
    """Yield one line for each row: lists x, y, value and perhaps setup and time; id, machine and solve as text."""
    try:
        from pyarrow import ArrowException
        from pyarrow.parquet import ParquetFile
        from pyarrow.types import is_large_list, is_list
    except ImportError:
        raise Unfit(f"{path}: Parquet needs the extra `parquet`; install `tramwright[parquet]`.") from None
    try:
        file = ParquetFile(path)
    except (ArrowException, OSError):
        raise Unfit(f"{path}: this is not a Parquet file.") from None
    schema = file.schema_arrow
    names = set(schema.names)
    lists = {field.name for field in schema if is_list(field.type) or is_large_list(field.type)}
    if missing := [name for name in READING if name not in lists and (name in NEEDED or name in names)]:
        raise Unfit(
            f"{path}: each row is a survey with lists in the columns x, y and value, and in setup and "
            f"time where given; {', '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing or no list."
        )
    if "machine" not in names and machine is None:
        raise Unfit(f"{path}: there is no column `machine`; give the machine with --machine FILE.")
    count = max(1, file.metadata.num_rows)
    for batch in file.iter_batches(batch_size=ROWS):
        rows: list[dict[str, Any]] = batch.to_pylist()
        yield b"".join(_from_row(row, number, machine) for number, row in enumerate(rows)), len(rows) / count


def _from_row(row: dict[str, Any], number: int, machine: Given | None) -> bytes:
    lists = {name: row[name] for name in READING if row.get(name) is not None}
    length = max(map(len, lists.values()), default=0)
    readings = [{name: values[at] for name, values in lists.items() if at < len(values)} for at in range(length)]
    survey = {"readings": readings}
    survey |= {name: row[name] for name in ("taken_at", "bed_temperature") if row.get(name) is not None}
    own, solve = row.get("machine"), row.get("solve")
    described: Any = own if own is None or not str(own).lstrip().startswith("{") else Raw(str(own).encode())
    options = Raw(str(solve).encode()) if solve is not None else None
    if described is None and machine is not None:
        return _line(row.get("id"), Given(machine.machine, options or machine.solve), survey)
    return _line(row.get("id"), Given(described, options), survey)


def _line(name: Any, machine: Given, survey: dict[str, Any]) -> bytes:
    line = {"id": name, "machine": machine.machine, "survey": survey}
    if machine.solve is not None:
        line["solve"] = machine.solve
    # A line of its own cannot hold a newline, and files written for people do.
    return msgspec.json.format(msgspec.json.encode(line), indent=-1) + b"\n"
