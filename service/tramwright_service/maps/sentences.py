"""Words on drawings."""

from __future__ import annotations

from collections.abc import Sequence

from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.findings import AsFound
from tramwright_solvers.results.moves import MoveOf

FRONT, REAR = "front", "rear"


def edge(value: float, decimals: int) -> str:
    shown = f"{value:+.{decimals}f}"
    return shown[1:] if float(shown) == 0.0 else shown


AS_FOUND, AFTER = "As found", "After the moves, predicted"


def total(found: AsFound, digits: int, unit: str) -> str:
    return f"Total {found.total:.{digits}f} ± {found.expanded:.{digits}f} {unit} (± U, k = {found.k:.3g})"


def correction_title(machine: str) -> str:
    return f"{machine}: gap between bed and tool plane"


def quantity(kept: bool, unit: str) -> str:
    return f"Gap, {unit}, positive = bed high, {'from the zero of the indicator' if kept else 'about its mean'}"


def way(up: bool) -> str:
    return "up" if up else "down"


def travel(move: MoveOf, digits: int, unit: str) -> str:
    """How far, and what to ask for where the adjuster is known not to follow."""
    said = f"{way(move.travel > 0.0)} {abs(move.travel):.{digits}f} {unit}"
    return said if move.ask is None else f"{said}, ask {abs(move.ask):.{digits}f}"


def turn(move: MoveOf, unit: str) -> tuple[str, ...]:
    """How it is made, in one or two short lines."""
    if move.counted is not None:
        seen = (f"seen from {move.counted.seen_from}",) if move.counted.seen_from else ()
        return (f"{move.counted.value:.4g} {move.counted.unit} {move.counted.way}", *seen)
    if move.degrees is not None:
        return (f"{move.degrees:.1f}° {move.direction}", f"seen from {move.seen_from}")
    said = []
    if move.remove:
        said.append("out " + " + ".join(f"{sheet:g}" for sheet in move.remove) + f" {unit}")
    if move.stack:
        said.append("in " + " + ".join(f"{sheet:g}" for sheet in move.stack) + f" {unit}")
    return tuple(said)


def correction_tells(answer: Correction, digits: int) -> str:
    """What the picture shows, in words."""
    unit, found, left = answer.units, answer.as_found, answer.predicted
    said = [
        f"Plan view of the bed with {len(left.stations)} stations. As found the total is {found.total:.{digits}f} "
        f"{unit}, highest at {place(found.highest.x, found.highest.y)}, lowest at "
        f"{place(found.lowest.x, found.lowest.y)}."
    ]
    for move in answer.moves:
        how = " ".join(turn(move, unit))
        said.append(f"{move.adjuster} goes {travel(move, digits, unit)}{', ' if how else ''}{how}.")
    if answer.moves:
        said.append(f"After that {left.total:.{digits}f} {unit} is predicted.")
    return " ".join(said)


def place(x: float, y: float) -> str:
    return f"x {x:g}, y {y:g}"


CONTOURS = (
    "Contour lines are those of a thin plate through the stations, solid above zero and dashed below; nothing is drawn "
    "beyond the outermost stations."
)
SIGNS = (
    "Signs: ring with cross, support; square, rail seat; dot, station; bold, highest and lowest; arrow, which way an "
    "adjuster goes."
)
DOUBTFUL = "Ringed stations are in doubt or to be read: see the text of the answer."


def left_out(labelled: Sequence[tuple[int, int]]) -> list[str]:
    """How many stations are without a value."""
    if all(shown == there for shown, there in labelled):
        return []
    shown, there = min(labelled)
    return [f"{shown} of {there} stations are labelled, as many as can be read; the answer as JSON has them all."]
