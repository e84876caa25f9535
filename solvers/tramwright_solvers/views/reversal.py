"""A reversal as a person reads it at the machine: whose error it is, what to do next, then the forms as maps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..model.units import DECIMALS, signed
from ..reversal import Reversal
from ..reversal.results import LaidTotal, ReversalForm, ReversalStation, ReversalTerm
from .blocks import notes, preformatted, titled, wrapped

GRID_COLUMNS = 9
"""More columns than this do not fit the width; the stations are then listed."""

CELL = 8
"""Characters of a cell of the map; numbers of a size that needs more are listed too."""

TERMS = {
    "twist": "twist",
    "saddle": "saddle",
    "round bow": "round bow",
    "bow-x": "bow along x",
    "bow-y": "bow along y",
    "remainder": "remainder",
}


def as_text(answer: Reversal) -> str:
    """Return the whole answer; cautions come before the further survey that they are for."""
    digits, unit = DECIMALS[answer.units], answer.units
    parts = [
        "\n".join([wrapped(f"{answer.machine}: {answer.says}"), f"(± U, k = {answer.k:.3g})"]),
        wrapped(answer.better_plate.says),
        notes("Doubts: settle these first", answer.doubts),
        titled("What these surveys cannot tell", [wrapped(answer.undecided.says)]),
        notes("Take care", answer.cautions),
        titled("What to survey next", [wrapped(answer.further.says)]),
        titled(f"Total of each survey, levelled, {unit}", laid(answer.laid, digits)),
        titled(f"Terms, range over the stations (u), {unit}", terms(answer.plate.terms, answer.gantry.terms, digits)),
        titled(f"Plate, decided part, {unit}, up positive, as it lies when not turned", form(answer.plate, digits)),
        titled(f"Gantry, decided part, {unit}, up positive", form(answer.gantry, digits)),
        agreement(answer),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def as_html(answer: Reversal) -> str:
    """Return the same for notebooks."""
    return preformatted(as_text(answer))


def laid(totals: Sequence[LaidTotal], digits: int) -> list[str]:
    """Return one line for each survey."""
    return [
        f"survey {number}: turned {one.turned:g}°, shifted ({one.shifted[0]:g}, {one.shifted[1]:g}), "
        f"{one.stations} stations: {one.total:.{digits}f} (u {one.u:.{digits}f})"
        for number, one in enumerate(totals, 1)
    ]


def terms(plate: Sequence[ReversalTerm], gantry: Sequence[ReversalTerm], digits: int) -> Iterator[str]:
    """Return a table of the terms; a star marks what is more than noise, a plus what is not all of the term."""
    yield f"{'':<12} {'plate':>18} {'gantry':>18}"
    for one, other in zip(plate, gantry, strict=True):
        yield f"{TERMS[one.term]:<12} {term(one, digits):>18} {term(other, digits):>18}".rstrip()
    yield "* is more than noise; + is what is decided of a term part of which cannot be told"


def term(one: ReversalTerm, digits: int) -> str:
    """Return one term's range with its u, or that it cannot be told."""
    if one.range is None or one.u is None:
        return "cannot be told  "
    partly = "" if one.decidable else "+"
    return f"{one.range:.{digits}f}{partly} ({one.u:.{digits}f}){' *' if one.significant else '  '}"


def form(one: ReversalForm, digits: int) -> list[str]:
    """Return the heights laid out over the bed, rear at the top; as a list where they form no small grid."""
    largest = max(station.u for station in one.stations)
    last = f"range {one.range:.{digits}f} (u {one.u:.{digits}f}); u of a height at most {largest:.{digits}f}"
    return [*heights(one.stations, digits), last]


def heights(stations: Sequence[ReversalStation], digits: int) -> list[str]:
    """Return the stations' heights as a map or a list."""
    xs = sorted({station.x for station in stations})
    ys = sorted({station.y for station in stations}, reverse=True)
    shown = [*(f"{x:g}" for x in xs), *(signed(station.height, digits) for station in stations)]
    if len(xs) > GRID_COLUMNS or 2 * len(stations) < len(xs) * len(ys) or max(map(len, shown)) > CELL:
        return [f"{'x':>10} {'y':>10} {'height':>10}"] + [
            f"{one.x:>10g} {one.y:>10g} {signed(one.height, digits):>10}" for one in stations
        ]
    at = {(one.x, one.y): signed(one.height, digits) for one in stations}
    lines = [" ".join([f"{'y, x':>15}", *(f"{x:>8g}" for x in xs)])]
    for row, y in enumerate(ys):
        edge = "rear" if row == 0 else "front" if row == len(ys) - 1 else ""
        lines.append(f"{edge:>6} {y:>8g} " + " ".join(f"{at.get((x, y), '·'):>8}" for x in xs))
    return lines


def agreement(answer: Reversal) -> str:
    """Say how well the surveys agree."""
    found = answer.agreement
    if found.excess is None:
        return wrapped("The surveys leave nothing over by which to check them against each other.")
    return wrapped(
        f"The surveys agree to {found.excess**0.5:.2g} times what the readings' stated uncertainty leads to expect "
        f"({found.degrees_of_freedom} degrees of freedom)."
    )
