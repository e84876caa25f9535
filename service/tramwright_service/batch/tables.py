"""Answers as rows of a table, for spreadsheets (CSV) and for column stores (Parquet)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import msgspec
from msgspec import Struct, field

from ..wire.plain import plain

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""First characters of a text that a spreadsheet may execute as a formula."""


class _Total(Struct):
    total: float
    u: float


class _Verdict(Struct):
    limit: float
    as_found: str
    predicted: str
    probability: float


class _Move(Struct):
    adjuster: str
    travel: float


class _Problem(Struct):
    detail: str


class _Line(Struct):
    line: int
    id: str | None = None
    machine: str | None = None
    taken_at: str | None = None
    units: str | None = None
    as_found: _Total | None = None
    predicted: _Total | None = None
    verdict: _Verdict | None = None
    moves: list[_Move] = field(default_factory=list)
    problem: _Problem | None = None


COLUMNS: dict[str, type] = {
    "id": str,
    "line": int,
    "machine": str,
    "taken_at": str,
    "units": str,
    "limit": float,
    "as_found_total": float,
    "as_found_u": float,
    "as_found": str,
    "predicted_total": float,
    "predicted_u": float,
    "predicted": str,
    "probability": float,
    "moves": str,
    "problem": str,
}
"""Columns of a table of answers. ``moves`` are adjusters, each with its travel, separated by semicolons."""

_decode = msgspec.json.Decoder(_Line).decode


def rows(body: bytes) -> Iterator[dict[str, Any]]:
    """Yield each answer line as a row; what a line does not have is None."""
    for text in body.splitlines():
        line = _decode(text)
        found, left, verdict = line.as_found, line.predicted, line.verdict
        yield {
            "id": line.id,
            "line": line.line,
            "machine": line.machine,
            "taken_at": line.taken_at,
            "units": line.units,
            "limit": verdict and verdict.limit,
            "as_found_total": found and found.total,
            "as_found_u": found and found.u,
            "as_found": verdict and verdict.as_found,
            "predicted_total": left and left.total,
            "predicted_u": left and left.u,
            "predicted": verdict and verdict.predicted,
            "probability": verdict and verdict.probability,
            "moves": "; ".join(f"{move.adjuster} {move.travel!r}" for move in line.moves) if verdict else None,
            "problem": line.problem and line.problem.detail,
        }


def as_csv(body: bytes) -> bytes:
    """Return answer lines as CSV with a head; texts that a spreadsheet would execute get a leading quote."""
    written = io.StringIO(newline="")
    table = csv.writer(written)
    table.writerow(COLUMNS)
    for row in rows(body):
        table.writerow([harmless(cell) if isinstance(cell, str) else cell for cell in row.values()])
    return written.getvalue().encode()


def harmless(text: str) -> str:
    """Escape what a terminal would obey, and quote what a spreadsheet would; numbers never come here."""
    return f"'{plain(text)}" if text.startswith(FORMULA) else plain(text)


def as_parquet(body: bytes) -> bytes:
    """Return answer lines as a Parquet file: the columns of the table, and each whole line as text in `answer`."""
    import pyarrow as pa
    from pyarrow.parquet import write_table

    kinds = {str: pa.string(), int: pa.int64(), float: pa.float64()}
    schema = pa.schema([*((name, kinds[kind]) for name, kind in COLUMNS.items()), ("answer", pa.string())])
    table = [{**row, "answer": text.decode()} for row, text in zip(rows(body), body.splitlines(), strict=True)]
    sink = pa.BufferOutputStream()
    write_table(pa.Table.from_pylist(table, schema=schema), sink)
    return bytes(sink.getvalue())
