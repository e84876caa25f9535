"""Words on drawings."""

from __future__ import annotations

from collections.abc import Sequence

from tramwright_solvers.comparison.results import Comparison
from tramwright_solvers.planning import SurveyPlan
from tramwright_solvers.planning.results import Rating
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.findings import AsFound
from tramwright_solvers.results.moves import MoveOf
from tramwright_solvers.reversal import Reversal
from tramwright_solvers.reversal.results import ReversalForm

FRONT, REAR = "front", "rear"
AS_FOUND, AFTER, AFTER_THE_REST = "As found", "After the moves, predicted", "After the rest, predicted"
BEFORE, AFTERWARDS, CHANGE = "Before", "After", "Change, after less before"
PLATE, GANTRY = "Plate", "Gantry: the surface that the tool sweeps"
PROPOSED, YOURS = "Plan proposed", "Your own plan"

CONTOURS = (
    "Contour lines are those of a thin plate through the stations, solid above zero and dashed below; nothing is drawn "
    "beyond the outermost stations."
)
SIGNS = (
    "Signs: ring with cross, support; square, rail seat; dot, station; bold, highest and lowest; arrow, which way an "
    "adjuster goes."
)
DOUBTFUL = "Ringed stations are in doubt or to be read: see the text of the answer."
CHANGED = "Ringed stations changed by more than chance."
PLATE_FRAME = "Stations of the plate are where they lie when it is neither turned nor shifted."
PLAN_SIGNS = (
    "Signs: ring with cross, support; square, rail seat; dot, station, numbered in the order of reading. The first one "
    "is read once more at the end."
)
KEPT_OUT = "Hatched places are kept out; a dotted way passes over one: lift the plunger there."


def edge(value: float, decimals: int) -> str:
    shown = f"{value:+.{decimals}f}"
    return shown[1:] if float(shown) == 0.0 else shown


def total(found: AsFound, digits: int, unit: str) -> str:
    return f"Total {found.total:.{digits}f} ± {found.expanded:.{digits}f} {unit} (± U, k = {found.k:.3g})"


def now(steps: int) -> str:
    return f"Now, after {steps} {'step' if steps == 1 else 'steps'}"


def length(value: float, digits: int, unit: str) -> str:
    return f"Total {value:.{digits}f} {unit}"


def gap_title(machine: str) -> str:
    return f"{machine}: gap between bed and tool plane"


def reversal_title(machine: str) -> str:
    return f"{machine}: form of plate and gantry"


def plan_title(machine: str) -> str:
    return f"{machine}: where to read"


def gap_scale(kept: bool, unit: str) -> str:
    return f"Gap, {unit}, positive = bed high, {'from the zero of the indicator' if kept else 'about its mean'}"


def height_scale(unit: str) -> str:
    return f"Height, {unit}, positive = up"


def way(travel: float) -> str:
    return "up" if travel > 0.0 else "down"


def travel(move: MoveOf, digits: int, unit: str) -> str:
    """How far, and what to ask for where the adjuster is known not to follow."""
    said = f"{way(move.travel)} {abs(move.travel):.{digits}f} {unit}"
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


def explains(travelled: float, alone: bool, digits: int, unit: str) -> tuple[str, str]:
    """What an adjuster would have to have done."""
    how = "alone explains it" if alone else "together with others"
    return f"{way(travelled)} {abs(travelled):.{digits}f} {unit}", how


def ringed(changed: int, stations: int) -> str:
    return f"{changed} of {stations} stations changed" if stations else "No station is in both surveys"


def form_range(form: ReversalForm, digits: int, unit: str) -> str:
    return f"Highest less lowest {form.range:.{digits}f} {unit} (u {form.u:.{digits}f})"


def known_to(u: float | None, digits: int, unit: str) -> str:
    return "not determined" if u is None else f"known to u {u:.{digits}f} {unit}"


def plan_size(rating: Rating, unit: str) -> str:
    return f"{rating.count} stations, {rating.path:.0f} {unit} all the way round"


def place(x: float, y: float) -> str:
    return f"x {x:g}, y {y:g}"


def correction_tells(answer: Correction, digits: int) -> str:
    """What the picture shows, in words."""
    unit, found, left = answer.units, answer.as_found, answer.predicted
    when = AS_FOUND
    if answer.progress is not None:
        found, when = answer.progress.now, f"{now(len(answer.progress.steps))},"
    said = [
        f"Plan view of the bed with {len(left.stations)} stations. {when} the total is {found.total:.{digits}f} "
        f"{unit}, highest at {place(found.highest.x, found.highest.y)}, lowest at "
        f"{place(found.lowest.x, found.lowest.y)}."
    ]
    for move in answer.moves:
        how = " ".join(turn(move, unit))
        said.append(f"{move.adjuster} goes {travel(move, digits, unit)}{', ' if how else ''}{how}.")
    if answer.moves:
        said.append(f"After that {left.total:.{digits}f} {unit} is predicted.")
    return " ".join(said)


def comparison_tells(answer: Comparison, digits: int) -> str:
    """What the picture shows, in words."""
    found, unit = answer.total, answer.units
    changed = sum(one.significant for one in answer.stations)
    return (
        f"Plan views of the bed before, after, and the change. {length(found.before, digits, unit)} before, "
        f"{found.after:.{digits}f} {unit} after. {ringed(changed, len(answer.stations))}."
    )


def reversal_tells(answer: Reversal, digits: int) -> str:
    """What the picture shows, in words."""
    unit = answer.units
    return (
        f"Plan views of the form of plate and gantry. Plate: {form_range(answer.plate, digits, unit)}. Gantry: "
        f"{form_range(answer.gantry, digits, unit)}."
    )


def plan_tells(answer: SurveyPlan) -> str:
    """What the picture shows, in words."""
    stops = "; ".join(place(stop.x, stop.y) for stop in answer.plan.stations)
    return f"Plan view of the bed with the stations in the order of reading: {stops}."


def left_out(labelled: Sequence[tuple[int, int]]) -> list[str]:
    """How many stations are without a label."""
    if all(shown == there for shown, there in labelled):
        return []
    shown, there = min(labelled)
    return [f"{shown} of {there} stations are labelled, as many as can be read; the answer as JSON has them all."]
