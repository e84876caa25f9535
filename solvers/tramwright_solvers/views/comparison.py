"""A comparison of two surveys as a person reads it at the machine: plain text, no wider than 100 columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..comparison.results import AdjusterChange, Comparison, Heat, StationChange, TermChange
from ..model.units import DECIMALS, signed
from ..multisurvey.sentences import TERM_NAMES
from .blocks import notes, preformatted, titled, wrapped

KNOWN = {"alone": "", "together": "with others", "unseen": "not seen"}
"""How a travel is known."""

MANY = 60
"""More stations than this are not listed: only those that changed are."""


def as_text(answer: Comparison) -> str:
    """Return the whole answer: what moved, what that rests on, then the tables."""
    digits, unit, total = DECIMALS[answer.units], answer.units, answer.total
    changed = "a change" if total.significant else "no change shown"
    if not total.same_stations:
        changed = "but over different stations"
    parts = [
        wrapped(f"{answer.machine}: {answer.says}"),
        wrapped(
            f"Total {total.before:.{digits}f} {unit} before, {total.after:.{digits}f} {unit} after: "
            f"{signed(total.change, digits)} {unit} (u {total.u:.{digits}f}), {changed}. A total calls for work only "
            "where it is too large, whatever changed."
        ),
        notes("Heat", heat(answer.heat, digits, unit) if answer.heat else []),
        notes("Take care", answer.cautions),
        titled(f"Change of the bed's form, {unit} over the bed", terms(answer, digits)),
        titled(f"Travel that would explain it, {unit}, up positive", adjusters(answer.adjusters, digits))
        if answer.adjusters
        else "",
        stations(answer.stations, digits, unit),
        notes("What these surveys cannot tell", answer.undetermined),
        notes("What this rests on", answer.assumptions),
        wrapped(
            f"* is more than chance. Each test calls 1 in 1000 unmoved machines moved; all together at most "
            f"{answer.risk * 100:.2g} %. `least seen` is a change that would be noticed four times in five."
        ),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def as_html(answer: Comparison) -> str:
    """Return the same for notebooks."""
    return preformatted(as_text(answer))


def heat(told: Heat, digits: int, unit: str) -> Iterator[str]:
    """Say what the change of temperature does, and what was found."""
    grown = ""
    if told.growth_x is not None and told.growth_y is not None:
        grown = (
            f" Of {told.material} it grows by {signed(told.growth_x, digits)} {unit} in x and "
            f"{signed(told.growth_y, digits)} {unit} in y, which the dial does not show; held fast, it would bow."
        )
    yield f"The bed was read at {told.before:g} °C before and {told.after:g} °C after ({told.change:+g} K).{grown}"
    for bow in told.bows:
        found = "not told by these stations" if bow.found is None else f"{signed(bow.found, digits)} {unit} found"
        if bow.per_kelvin is not None:
            yield (
                f"Bow along {bow.along}: {bow.per_kelvin:.{digits}f} {unit} for each kelvin between its faces; {found}."
            )
    yield told.says


def terms(answer: Comparison, digits: int) -> Iterator[str]:
    """Return a table of the terms and what they leave."""
    yield f"{'':<26} {'change':>10} {'u':>8} {'least seen':>12}"
    for term in answer.terms:
        yield row(TERM_NAMES[term.term], term, digits)
    rest = answer.remainder
    if rest is not None:
        star = " *" if rest.significant else ""
        yield (
            f"{'remainder, rms':<26} {rest.rms:>10.{digits}f} {'':>8} {rest.smallest_detectable:>12.{digits}f}{star}"
            f"  (noise alone {rest.expected:.{digits}f})"
        )


def row(name: str, change: TermChange, digits: int) -> str:
    """Return one line of a table of changes."""
    if change.change is None or change.u is None or change.smallest_detectable is None:
        return f"{name:<26} {'not told':>10}"
    star = " *" if change.significant else ""
    return (
        f"{name:<26} {signed(change.change, digits):>10} {change.u:>8.{digits}f} "
        f"{change.smallest_detectable:>12.{digits}f}{star}"
    )


def adjusters(found: Sequence[AdjusterChange], digits: int) -> Iterator[str]:
    """Return a table: the least effort of all together, and each one alone."""
    wide = max(len("adjuster"), *(len(one.adjuster) for one in found))
    yield f"{'adjuster':<{wide}} {'travel':>10} {'u':>8} {'least seen':>12}   {'if alone':>10}"
    for one in found:
        together = f"{KNOWN[one.known]:>10} {'':>8} {'':>12}  "
        if one.travel is not None and one.u is not None and one.smallest_detectable is not None:
            together = (
                f"{signed(one.travel, digits):>10} {one.u:>8.{digits}f} {one.smallest_detectable:>12.{digits}f}"
                f"{' *' if one.significant else '  '}"
            )
        alone = "" if one.if_alone is None else f" {signed(one.if_alone, digits):>10}"
        yield f"{one.adjuster:<{wide}} {together}{alone}{'  explains it' if one.explains else ''}".rstrip()


def stations(found: Sequence[StationChange], digits: int, unit: str) -> str:
    """Return a table of the stations that both surveys read; of many, only those that changed."""
    shown = found if len(found) <= MANY else [one for one in found if one.significant]
    if not shown:
        return ""
    title = f"Change at the stations of both surveys, {unit}"
    lines = [f"{'x':>10} {'y':>10} {'before':>10} {'after':>10} {'change':>10} {'u':>8}"]
    lines += [
        f"{one.x:>10g} {one.y:>10g} {signed(one.before, digits):>10} {signed(one.after, digits):>10} "
        f"{signed(one.change, digits):>10} {one.u:>8.{digits}f}{' *' if one.significant else ''}"
        for one in shown
    ]
    if len(shown) < len(found):
        lines.append(f"({len(found) - len(shown)} more without a change)")
    return titled(title, lines)
