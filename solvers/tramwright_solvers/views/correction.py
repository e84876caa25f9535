"""A correction as a person follows it at the machine: plain text, no wider than 100 columns.

What to do comes first, with what it hangs on and what to take care of; why comes after the steps.

Lengths are shown to a tenth of a usual dial division (0.001 mm, 0.0001 inch); the JSON answer rounds nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from ..model.contract import Effect
from ..model.units import DECIMALS, signed
from ..results.correction import Correction
from ..results.findings import AsFound, ClosingError
from ..results.moves import MoveOf
from .blocks import notes, numbered, table, titled, wrapped
from .certainty import made_of, whole_bed, without_suspects
from .learning import followed, remaining
from .progress import carried_out

GRID_COLUMNS = 9
"""More columns than this do not fit the width; the stations are then listed."""

SHARE = 0.005
"""Terms with a smaller share of the sum of squares of the gap are not shown."""

NOTHING = 1e-6
"""Side effects smaller than this, in their own unit, are shown as none: a person cannot act on them."""

VERDICT = {"within": "within the limit", "outside": "outside the limit", "undecided": "undecided against the limit"}
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
    """Return the whole answer: what to do and what it hangs on first, then why."""
    digits, unit = DECIMALS[correction.units], correction.units
    parts = [
        "\n".join(headline(correction, digits)),
        carried_out(correction.progress, unit),
        notes("Doubtful readings", (one.says for one in correction.suspects)),
        without_suspects(correction.refit, digits, unit),
        notes("Closing errors", (closing(one, digits, unit) for one in correction.closing_errors)),
        notes(
            "What these stations show badly or not at all",
            [*(f"{one.what}: {one.detail}" for one in correction.blind_to), *correction.notes],
        ),
        why(correction, digits),
        followed(correction.followed, correction.doubts, unit),
        remaining(correction.forecast),
        titled(f"The dial before and after, {unit}, in your own sense", dial(correction, digits)),
        titled("Moves", moves(correction.moves, digits, unit)) if correction.moves else "",
        made_of(correction.budget.predicted, digits, unit),
        notes("Side effects", (side_effect(effect, digits) for effect in correction.effects)),
        "Then survey again: the prediction is only as good as the readings and the turns." if correction.moves else "",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def as_html(correction: Correction) -> str:
    """Return what to do as a table, with the headline over it, for notebooks."""
    digits, unit, verdict = DECIMALS[correction.units], correction.units, correction.verdict
    totals = (
        f"Total {with_u(correction.as_found, digits)} {unit} as found, {VERDICT[verdict.as_found]}; "
        f"{with_u(correction.predicted, digits)} {unit} predicted, {VERDICT[verdict.predicted]}."
    )
    rows = [
        (move.adjuster, f"{move.travel:+.{digits}f}", f"{move.u:.{digits}f}", how(move, digits, unit))
        for move in correction.moves
    ]
    head = ("adjuster", f"travel, {unit}", f"u, {unit}", "how")
    said = [correction.says, totals, *correction.cautions]
    return "".join(f"<p>{escape(one)}</p>" for one in said) + (table(head, rows) if rows else "")


def headline(correction: Correction, digits: int) -> list[str]:
    """Return what to do, totals and verdicts, what is taken for granted, what to take care of, and the steps."""
    lines = [f"{correction.machine}: {correction.says}", *verdicts(correction, digits)]
    if correction.assumed:
        lines.append(f"Assumed, not given: {'; '.join(correction.assumed)}.")
    if correction.cautions:
        lines.append(f"Take care: {' '.join(correction.cautions)}")
    steps = ["What to do:", *numbered(step.do for step in correction.steps)] if correction.steps else []
    return [*map(wrapped, lines), *steps]


def verdicts(correction: Correction, digits: int) -> list[str]:
    """Return both totals against the limit, and what would decide what is undecided."""
    verdict, unit, found, after = correction.verdict, correction.units, correction.as_found, correction.predicted
    told = (
        f"As found {with_u(found, digits)} {unit} (± U, k = {found.k:.3g}): {VERDICT[verdict.as_found]} of "
        f"{verdict.limit:.{digits}f} {unit}"
    )
    if correction.progress is not None:
        told += f"; now {with_u(correction.progress.now, digits)} {unit}"
    if correction.moves:
        told += f"; afterwards {with_u(after, digits)} {unit}"
    # after a stop nothing is judged: the dial may have been misread
    if correction.moves or (correction.progress is not None and correction.progress.next != "stop"):
        told += f": {VERDICT[verdict.predicted]}"
    lines = [f"{told} ({verdict.rule}{probability(verdict.probability)})."]
    if verdict.decided_by and verdict.decided_by != correction.says:
        lines.append(verdict.decided_by)
    return lines


def why(correction: Correction, digits: int) -> str:
    """Return why this and not more: the plan, the whole bed, the terms, and what the adjusters can do."""
    chosen, unit = correction.chosen, correction.units
    lines = [chosen.why] if chosen.why != correction.says else []
    if chosen.outcome == "stopped":
        lines.append(
            f"The search was stopped at a limit before this was proven; the best possible may be better by up to "
            f"{chosen.gap:.{digits}f} {unit}."
        )
    lines += [
        f"{end.adjuster} is at the end of its travel: {end.more:.{digits}f} {unit} more {end.way} would leave "
        f"{end.total:.{digits}f} {unit}."
        for end in chosen.binding
        if end.adjuster is not None
    ]
    lines += [whole_bed(correction.over_bed, digits, unit), blame(correction, digits)]
    lines += [correction.attribution] if correction.advice.read else reach(correction, digits)
    return titled("Why", [wrapped(line) for line in lines])


def with_u(result: AsFound, digits: int) -> str:
    """Return a total with its expanded uncertainty."""
    return f"{result.total:.{digits}f} ± {result.expanded:.{digits}f}"


def probability(value: float | None) -> str:
    """Return a probability in per cent that never claims certainty, or nothing where there is none."""
    if value is None:
        return ""
    return f", probability {'over 99.9' if value > 0.999 else 'below 0.1' if value < 0.001 else f'{value * 100:.1f}'} %"


def closing(error: ClosingError, digits: int, unit: str) -> str:
    """Return one closing error, and what is left of it once drift is taken off."""
    setup = f" in set-up {error.setup}" if error.setup else ""
    return (
        f"x {error.x:g}, y {error.y:g}{setup} closed by {error.error:+.{digits}f} {unit}; "
        f"{error.after_drift:+.{digits}f} {unit} once the drift found is taken off."
    )


def side_effect(effect: Effect, digits: int) -> str:
    """Return one effect with its size, as exact as it means something, and what it means."""
    unit = "" if effect.unit == "1" else f" {effect.unit}"
    if effect.unit in DECIMALS:
        value = (
            f"{abs(effect.value):.{digits}f}" if abs(effect.value) < 0.5 * 10**-digits else f"{effect.value:.{digits}f}"
        )
    else:
        value = f"{0.0 if abs(effect.value) < NOTHING else effect.value:.3g}"
    return f"{effect.name}: {value}{unit}. {effect.says}"


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
    return f"To blame{' as found' if correction.progress else ''}: {told}."


def reach(correction: Correction, digits: int) -> list[str]:
    """Say what each solver's adjusters, with those before them, could leave: what none can reach is form."""
    told = [f"{rung.total:.{digits}f} {correction.units} after {rung.after}" for rung in correction.ladder[1:]]
    found = f"{correction.as_found.total:.{digits}f} {correction.units} as found"
    return [f"All they can do: from {found}, {', '.join(told)}.", correction.attribution]


def dial(correction: Correction, digits: int) -> list[str]:
    """Return the readings laid out over the bed, rear at the top; as a list where they form no small grid.

    In the midst of the work they are those of the survey, what they should be now, and what they are to be.
    """
    stations, progress = correction.predicted.stations, correction.progress
    shown = {"before" if progress is None else "found": [one.dial_before for one in stations]}
    if progress is not None:
        shown["now"] = [one.dial for one in progress.stations]
    shown["after"] = [one.dial for one in stations]
    xs = sorted({station.x for station in stations})
    ys = sorted({station.y for station in stations}, reverse=True)
    if len(xs) > GRID_COLUMNS or 2 * len(stations) < len(xs) * len(ys):
        head = " ".join(f"{name:>10}" for name in ("x", "y", *shown))
        return [head] + [
            " ".join([f"{one.x:>10g} {one.y:>10g}", *(f"{signed(value, digits):>10}" for value in values)])
            for one, *values in zip(stations, *shown.values(), strict=True)
        ]
    head = " ".join([f"{'y, x':>8}", *(f"{x:>8g}" for x in xs)])
    lines = []
    for name, values in shown.items():
        readings = {(one.x, one.y): signed(value, digits) for one, value in zip(stations, values, strict=True)}
        lines.append(f"{name:>6} {head}")
        for row, y in enumerate(ys):
            edge = {0: "rear", len(ys) - 1: "front"}.get(row, "") if len(ys) > 1 else ""
            lines.append(f"{edge:>6} {y:>8g} " + " ".join(f"{readings.get((x, y), '·'):>8}" for x in xs))
        lines.append("")
    return lines[:-1]


def moves(made: Sequence[MoveOf], digits: int, unit: str) -> list[str]:
    """Return one line for each adjuster: travel with its uncertainty, and how it is made."""
    wide = max(len(move.adjuster) for move in made)
    return [
        f"{move.adjuster:<{wide}}  {move.travel:+.{digits}f} {unit}{known(move.u, digits)}  "
        f"{how(move, digits, unit)}".rstrip()
        for move in made
    ]


def known(u: float | None, digits: int) -> str:
    """Return a u in brackets, or nothing where there is none."""
    return "" if u is None else f" (u {u:.{digits}f})"


def how(move: MoveOf, digits: int, unit: str) -> str:
    """Say how one move is made: turns and direction, what is counted, or sheets."""
    if move.counted is not None:
        seen = f" seen from {move.counted.seen_from}" if move.counted.seen_from else ""
        return f"{move.counted.value:.4g} {move.counted.unit} {move.counted.way}{seen}"
    if move.degrees is not None:
        return f"{move.degrees:.1f}° {move.direction} seen from {move.seen_from} ({move.turns:.3f} turns)"
    said = []
    if move.remove:
        said.append("take out " + " + ".join(f"{sheet:g}" for sheet in move.remove) + f" {unit}")
    if move.stack:
        said.append("put in " + " + ".join(f"{sheet:g}" for sheet in move.stack) + f" {unit}")
    return ", ".join(said)
