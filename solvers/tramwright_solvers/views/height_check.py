"""A height check as a person reads it at the machine: plain text, no wider than 100 columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..lead_error.results import HeightCheck, LeadError, Level, TermSlope
from ..model.units import DECIMALS, signed
from ..multisurvey.sentences import TERM_NAMES
from .blocks import notes, numbered, preformatted, titled, wrapped


def as_text(answer: HeightCheck) -> str:
    """Return the whole answer: what changes with height, what can be done, then the tables."""
    digits = DECIMALS[answer.units]
    parts = [
        wrapped(f"{answer.machine}: {answer.says}"),
        wrapped(
            f"The total over the bed changes by {answer.growth:.1f} µm in 100 mm of height (u {answer.growth_u:.1f})."
        ),
        notes("Doubts: settle these first", answer.doubts),
        notes("Take care", answer.cautions),
        titled("What can be done", numbered(answer.remedies)) if answer.remedies else "",
        titled("Lead error of each screw against the mean, µm per 100 mm", screws(answer.adjusters)),
        titled("What grows with height, µm per 100 mm over the bed", slopes(answer.terms)),
        titled(f"How the bed lay, {answer.units} over the bed", levels(answer.levels, digits)),
        notes("What these surveys cannot tell", answer.undetermined),
        notes("What this rests on", answer.assumptions),
        wrapped(
            f"* is more than chance; chance names a cause in at most {answer.risk * 100:.2g} % of sound machines. "
            "`least seen` is what would be noticed four times in five."
        ),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def as_html(answer: HeightCheck) -> str:
    """Return the same for notebooks."""
    return preformatted(as_text(answer))


def screws(found: Sequence[LeadError]) -> Iterator[str]:
    """Return a table of lead errors, and what the travel told to each would be multiplied by."""
    wide = max(len("screw"), *(len(one.adjuster) for one in found))
    yield f"{'screw':<{wide}} {'error':>9} {'u':>7} {'least seen':>11}   {'factor':>9}"
    for one in found:
        yield f"{one.adjuster:<{wide}} {numbers(one)}{'' if one.factor is None else f' {one.factor:>9.6f}'}".rstrip()


def slopes(found: Sequence[TermSlope]) -> Iterator[str]:
    """Return a table of the terms' growth and what can make it."""
    yield f"{'':<22} {'growth':>9} {'u':>7} {'least seen':>11}   made by"
    for one in found:
        yield f"{TERM_NAMES[one.term]:<22} {numbers(one)} {one.made_by}"


def numbers(one: LeadError | TermSlope) -> str:
    """Return value, u and smallest detectable."""
    if one.per_100_mm is None or one.u is None or one.smallest_detectable is None:
        return f"{'not told':>9} {'':>7} {'':>11}  "
    star = " *" if one.significant else "  "
    return f"{signed(one.per_100_mm, 1):>9} {one.u:>7.1f} {one.smallest_detectable:>11.1f}{star}"


def levels(found: Sequence[Level], digits: int) -> Iterator[str]:
    """Return a table of the terms at each height, the highest first."""
    names = [one.term for one in found[0].terms]
    yield " ".join([f"{'height':>10}", f"{'total':>10}", *(f"{name:>10}" for name in names)])
    for level in sorted(found, key=lambda level: -level.height):
        cells = ["not told" if one.value is None else signed(one.value, digits) for one in level.terms]
        yield " ".join([f"{level.height:>10g}", f"{level.total:>10.{digits}f}", *(f"{cell:>10}" for cell in cells)])
