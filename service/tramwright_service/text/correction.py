"""A correction as a person follows it at the machine: plain text, no wider than 100 columns.

Lengths are shown to a tenth of a usual dial division (0.001 mm, 0.0001 inch); the JSON answer rounds nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from tramwright_solvers.model.contract import Effect
from tramwright_solvers.results.correction import Correction, MoveOf
from tramwright_solvers.results.findings import AsFound, ClosingError, Station

from .blocks import DECIMALS, notes, numbered, signed, titled, wrapped
from .certainty import made_of, whole_bed, without_suspects
from .learning import followed, remaining

GRID_COLUMNS = 9
"""More columns than this do not fit the width; the stations are then listed."""

SHARE = 0.005
"""Terms with a smaller share of the sum of squares of the gap are not shown."""

NOTHING = 1e-6
"""Side effects smaller than this, in their own unit, are shown as none: a person cannot act on them."""

VERDICT = {
    "within": "within the limit",
    "outside": "outside the limit",
    "undecided": "too close to the limit to decide",
}
TERMS = {
    "offset": "offset",
    "tilt-x": "tilt to the side (x)",
    "tilt-y": "tilt front to rear (y)",
    "twist": "twist",
    "bow-x": "bow along x",
    "bow-y": "bow along y",
    "remainder": "remainder (form, and scatter of the readings)",
}


def as_text(correction: Correction) -> str:
    """Return the whole answer: result, what is to blame, cautions before the steps they are for, readings, moves."""
    digits, unit = DECIMALS[correction.units], correction.units
    parts = [
        headline(correction, digits),
        # what puts the readings in doubt comes before anything that is made of them
        notes("Doubtful readings: read these again first", (one.says for one in correction.suspects)),
        without_suspects(correction.refit, digits, unit),
        notes(
            "What these stations show badly or not at all", (f"{one.what}: {one.detail}" for one in correction.blind_to)
        ),
        notes("Closing errors", (closing(one, digits, unit) for one in correction.closing_errors)),
        followed(correction.followed, correction.doubts, unit),
        remaining(correction.forecast),
        blame(correction, digits),
        reach(correction, digits),
        notes("Take care", correction.cautions),
        titled("What to do", numbered(step.do for step in correction.steps) or ["Nothing: no move is called for."]),
        titled(f"The dial before and after, {unit}, in your own sense", dial(correction.predicted.stations, digits)),
        titled("Moves", moves(correction.moves, digits, unit)) if correction.moves else "",
        made_of(correction.budget.predicted, digits, unit),
        notes("Side effects", (side_effect(effect) for effect in correction.effects)),
        "Then survey again: the prediction is only as good as the readings and the turns.",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def headline(correction: Correction, digits: int) -> str:
    """Return total as found and predicted, each with its expanded uncertainty and its verdict."""
    verdict, unit = correction.verdict, correction.units
    lines = [
        f"{correction.machine}: total {with_u(correction.as_found, digits)} {unit} as found, "
        f"{with_u(correction.predicted, digits)} {unit} predicted (± U, k = {correction.predicted.k:.3g}).",
        f"Against the limit of {verdict.limit:.{digits}f} {unit}: {VERDICT[verdict.as_found]} as found, "
        f"{VERDICT[verdict.predicted]} afterwards ({verdict.rule}; probability {probability(verdict.probability)}).",
        *([verdict.decided_by] if verdict.decided_by else []),
        whole_bed(correction.over_bed, digits, unit),
        correction.chosen.why,
    ]
    if correction.chosen.outcome == "stopped":
        lines.append(
            f"The search was stopped at a limit before this was proven; the best possible may be better by up to "
            f"{correction.chosen.gap:.{digits}f} {unit}."
        )
    lines += [
        f"{end.adjuster} is at the end of its travel: {end.more:.{digits}f} {unit} more {end.way} would leave "
        f"{end.total:.{digits}f} {unit}."
        for end in correction.chosen.binding
    ]
    return "\n".join(wrapped(line) for line in lines)


def with_u(result: AsFound, digits: int) -> str:
    """Return a total with its expanded uncertainty."""
    return f"{result.total:.{digits}f} ± {result.expanded:.{digits}f}"


def probability(value: float | None) -> str:
    """Return a probability in per cent that never claims certainty."""
    if value is None:
        return "not stated"
    return "over 99.9 %" if value > 0.999 else "below 0.1 %" if value < 0.001 else f"{value * 100:.1f} %"


def closing(error: ClosingError, digits: int, unit: str) -> str:
    """Return one closing error, and what is left of it once drift is taken off."""
    setup = f" in set-up {error.setup}" if error.setup else ""
    return (
        f"x {error.x:g}, y {error.y:g}{setup} closed by {error.error:+.{digits}f} {unit}; "
        f"{error.after_drift:+.{digits}f} {unit} once the drift found is taken off."
    )


def side_effect(effect: Effect) -> str:
    """Return one effect with its size and what it means."""
    unit = "" if effect.unit == "1" else f" {effect.unit}"
    value = 0.0 if abs(effect.value) < NOTHING else effect.value
    return f"{effect.name}: {value:.4g}{unit}. {effect.says}"


def blame(correction: Correction, digits: int) -> str:
    """Return a line of the terms that make up the gap, the largest first."""
    terms = sorted(
        (term for term in correction.breakdown if term.significant and term.range and term.share >= SHARE),
        key=lambda term: -(term.range or 0),
    )
    if not terms:
        return "To blame: nothing stands out of the uncertainty of the readings."
    told = ", ".join(
        f"{TERMS.get(term.term, term.term)} {term.range:.{digits}f} {correction.units} ({term.share * 100:.0f} %)"
        for term in terms[:3]
    )
    return wrapped(f"To blame: {told}.")


def reach(correction: Correction, digits: int) -> str:
    """Say what each solver's adjusters, with those before them, could leave: what none can reach is form."""
    told = [f"{rung.total:.{digits}f} {correction.units} after {rung.after}" for rung in correction.ladder[1:]]
    found = f"{correction.as_found.total:.{digits}f} {correction.units} as found"
    return "\n".join([wrapped(f"All they can do: from {found}, {', '.join(told)}."), wrapped(correction.attribution)])


def dial(stations: Sequence[Station], digits: int) -> list[str]:
    """Return the readings laid out over the bed, rear at the top; as a list where they form no small grid."""
    xs = sorted({station.x for station in stations})
    ys = sorted({station.y for station in stations}, reverse=True)
    if len(xs) > GRID_COLUMNS or 2 * len(stations) < len(xs) * len(ys):
        head = f"{'x':>10} {'y':>10} {'before':>10} {'after':>10}"
        return [head] + [
            f"{one.x:>10g} {one.y:>10g} {signed(one.dial_before, digits):>10} {signed(one.dial, digits):>10}"
            for one in stations
        ]
    before = {(one.x, one.y): signed(one.dial_before, digits) for one in stations}
    after = {(one.x, one.y): signed(one.dial, digits) for one in stations}
    head = " ".join([f"{'y, x':>8}", *(f"{x:>8g}" for x in xs)])
    lines = []
    for name, readings in (("before", before), ("after", after)):
        lines.append(f"{name:>6} {head}")
        for row, y in enumerate(ys):
            edge = "rear" if row == 0 else "front" if row == len(ys) - 1 else ""
            lines.append(f"{edge:>6} {y:>8g} " + " ".join(f"{readings.get((x, y), '·'):>8}" for x in xs))
        lines.append("")
    return lines[:-1]


def moves(made: Sequence[MoveOf], digits: int, unit: str) -> list[str]:
    """Return one line for each adjuster: travel with its uncertainty, and how it is made."""
    wide = max(len(move.adjuster) for move in made)
    return [
        f"{move.adjuster:<{wide}}  {move.travel:+.{digits}f} {unit} (u {move.u:.{digits}f})  "
        f"{how(move, digits, unit)}".rstrip()
        for move in made
    ]


def how(move: MoveOf, digits: int, unit: str) -> str:
    """Say how one move is made: turns and direction, or sheets."""
    if move.degrees is not None:
        return f"{move.degrees:.1f}° {move.direction} seen from {move.seen_from} ({move.turns:.3f} turns)"
    said = []
    if move.remove:
        said.append("take out " + " + ".join(f"{sheet:g}" for sheet in move.remove) + f" {unit}")
    if move.stack:
        said.append("put in " + " + ".join(f"{sheet:g}" for sheet in move.stack) + f" {unit}")
    return ", ".join(said)
