"""What a survey plan is worth, why it has so many stations, and what is wrong with one that was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ..model.sentences import GENERAL_CAUTIONS
from ..model.units import DECIMALS
from .results import Rating

NO_ROOM_FOR_STATIONS = (
    "Margin, reach and the places kept out leave no room for three stations; make them smaller, or the spacing finer."
)

OTHERS_WOULD_DETERMINE = "These stations do not determine all the moves; others of the same number would."

SLIP_AT_ANY = "A slip may show, but not in which reading it was made."


def worth(rating: Rating, unit: Literal["mm", "inch"]) -> str:
    """Say in two or three sentences what a plan is worth."""
    digits = DECIMALS[unit]
    known = [move.u for move in rating.moves if move.u is not None]
    said = [
        f"Every move that these {rating.count} stations determine comes out with u of at most "
        f"{max(known):.{digits}f} {unit}."
        if known
        else f"These {rating.count} stations determine no move."
    ]
    if rating.blind_to:
        said.append(f"They are blind to {', '.join(one.what for one in rating.blind_to)}.")
    else:
        said.append("They see tilt, twist, both bows and every adjuster.")
    if rating.sure_slip is None and not rating.unchecked:
        said.append(SLIP_AT_ANY)
    elif rating.sure_slip is None:
        said.append("Some reading is not checked by the others: a slip there goes unnoticed.")
    else:
        said.append(
            f"A slip of {rating.sure_slip:.{digits}f} {unit} shows wherever it is made, four times in five, on a plate "
            "that tilts, twists and bows; other form hides larger ones."
        )
    return " ".join(said)


def rounding(step: float, apart: float, rows: int, count: int, costs: float | None, unit: Literal["mm", "inch"]) -> str:
    """Say how the stations can be set up, and what that costs."""
    stand = f"in {rows} rows, " if 2 * rows <= count else ""
    said = f"The stations stand {stand}on whole multiples of {step:g} {unit}, at least {apart:.4g} {unit} apart."
    if costs is None:
        return said
    if costs < 0.0005:
        return f"{said} No better ones were found that may stand anywhere."
    return f"{said} That makes u, on the whole, {costs:.1%} larger than at stations that may stand anywhere."


def cautions(crossing: Sequence[int], bent: Sequence[str]) -> list[str]:
    """Return what can hurt while a plan is read, and what it does not say.

    The ways to the ``crossing`` stations pass over kept-out places; the ``bent`` solvers are not linear.
    """
    found = list(GENERAL_CAUTIONS)
    if bent:
        found.append(
            f"The effect of the adjusters of {', '.join(f'`{name}`' for name in bent)} is not proportional to travel: "
            "each u here is that of a small move. The correction says how well a large one is known."
        )
    if crossing:
        found.append(
            f"The way to station{'s' if len(crossing) > 1 else ''} {', '.join(map(str, crossing))} passes over a place "
            "kept out: raise the indicator well clear of clips before every move."
        )
    return found


def held(adjuster: str) -> str:
    return f"`{adjuster}` is held and does not move."


def changes_nothing_seen(adjuster: str) -> str:
    return f"`{adjuster}` changes nothing that these stations could show."


def too_few_to_settle_moves(count: int, least: int) -> str:
    return f"{count} stations cannot settle all moves whatever they are; {least} can."


def count_asked_for(count: int) -> str:
    return f"You asked for {count} stations."


def count_of_your_plan(count: int) -> str:
    return f"As many as in your plan, {count}, so that the two compare."


def count_by_terms(terms: int) -> str:
    return (
        f"{terms} terms (offset, tilts, twist, bows and what else the adjusters make) and as many again to check them, "
        "so that a slip shows."
    )


def count_that_fits(count: int) -> str:
    return f"As many as the free area and the moves allow, {count}."


def too_few_places(places: int, least: int) -> str:
    return f"The free area has {places} places at this spacing and the moves need {least} stations; make it finer."


def too_few_asked_for(count: int, least: int) -> str:
    return f"{count} stations cannot settle these adjusters; ask for {least} or more."


def too_many_asked_for(places: int) -> str:
    return f"The free area has {places} places at this spacing; ask for fewer, or for a finer spacing."


def runs_backwards(low: float, high: float) -> str:
    return f"This runs from {low:g} to {high:g}; give [low, high]."


def reach_runs_backwards(low: float, high: float) -> str:
    return f"The reach runs from {low:g} to {high:g}; give [low, high]."


def reach_misses_bed(low: float, high: float, first: float, last: float) -> str:
    return (
        f"{low:g} to {high:g} does not meet the bed within its margin ({first:g} to {last:g}); correct the reach, the "
        "margin or the units."
    )


def margin_too_wide(margin: float, axis: str, low: float, high: float) -> str:
    return (
        f"A margin of {margin:g} on both sides leaves nothing of the bed's {axis} ({low:g} to {high:g}); make it "
        "smaller."
    )


def spacing_too_fine(spacing: float, along_x: int, along_y: int, most: int, coarser: float) -> str:
    return (
        f"A spacing of {spacing:g} makes {along_x} × {along_y} places; at most {most} are weighed, so make it "
        f"{coarser:.3g} or more, or narrow the reach."
    )


def too_few_stations(count: int) -> str:
    return f"{count} stations cannot show how the bed lies; give at least three."


def kept_out(x: float, y: float) -> str:
    return f"({x:g}, {y:g}) lies in a place kept out; move or drop it."


def out_of_reach(x: float, y: float) -> str:
    return f"({x:g}, {y:g}) is out of the tool's reach; move or drop it."


def listed_before(station: int) -> str:
    return f"This is the place of station {station} again; list each once, repeats are no stations."
