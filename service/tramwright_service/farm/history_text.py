"""The history of a machine as a person reads it: plain text, no wider than 100 columns."""

from __future__ import annotations

from collections.abc import Iterator

from tramwright_solvers.model.units import DECIMALS, signed
from tramwright_solvers.multisurvey.sentences import TERM_NAMES
from tramwright_solvers.views.blocks import notes, titled, wrapped

from ..wire.history import History, HistoryPoint, HistorySeries
from . import sentences

COLUMNS = ("tilt-x", "tilt-y", "twist", "bow-x", "bow-y", "remainder")
MARK = {"within": " ", "undecided": "?", "outside": "!"}


def as_text(answer: History) -> str:
    """Return the whole answer: what to do, then what it rests on."""
    digits, units = DECIMALS[answer.units], answer.units
    parts = [
        wrapped(f"{answer.machine}: {answer.says}"),
        notes("Sudden changes", (sentences.compare(one, units) for one in answer.jumps)),
        titled(f"How each term moves, {units}", moving(answer.series, digits)) if answer.series else "",
        titled(f"Surveys, the latest first, {units}", surveys(answer.points, digits)) if answer.points else "",
        sentences.MARKS if answer.points else "",
        sentences.LATER if answer.next else "",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def moving(series: list[HistorySeries], digits: int) -> Iterator[str]:
    """Return a table of the terms: where they are, how fast they move, and what that comes to."""
    yield f"{'':<24} {f'in {sentences.MONTH:.0f} days':>10} {'u':>8}   what it comes to"
    for one in series:
        rate = "" if one.rate_per_day is None else signed(sentences.MONTH * one.rate_per_day, digits + 1)
        u = "" if one.u is None else f"{sentences.MONTH * one.u:.{digits + 1}f}"
        told = sentences.STATES[one.state] + (f" since {one.since[:10]}" if one.since else "")
        yield f"{TERM_NAMES.get(one.term, one.term):<24} {rate:>10} {u:>8}   {told}"


def surveys(points: list[HistoryPoint], digits: int) -> Iterator[str]:
    """Return a table of surveys, the latest first, and what was moved after each."""
    heads = "".join(f"{name:>10}" for name in COLUMNS)
    yield f"{'':>4} {'taken':<10} {'total':>9} {'u':>7}{heads}"
    for one in reversed(points):
        terms = one.terms or {}
        cells = "".join(f"{'' if name not in terms else signed(terms[name].value, digits):>10}" for name in COLUMNS)
        mark = MARK[one.as_found]
        yield f"{one.number:>4} {one.taken_at[:10]} {one.total:>8.{digits}f}{mark} {one.u:>7.{digits}f}{cells}".rstrip()
        if one.moves:
            yield f"{'':>16}{sentences.moved(one.moves, digits)}"
