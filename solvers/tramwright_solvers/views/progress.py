"""The steps carried out so far, as lines of text."""

from __future__ import annotations

from ..model.units import DECIMALS, signed
from ..results.progress import Progress, StepDone
from .blocks import notes


def carried_out(progress: Progress | None, units: str) -> str:
    """Return a block with a line for each step carried out, or nothing."""
    return "" if progress is None else notes("Steps carried out", [line(one, units) for one in progress.steps])


def line(one: StepDone, units: str) -> str:
    """Return what one step did: travel asked and made, the dial as it should have read and did."""
    digits = DECIMALS[units]
    asked = "until the dial stirs" if one.asked is None else f"{one.asked:+.{digits}f} {units} asked"
    moved = "" if one.moved is None or one.u is None else f", {one.moved:+.{digits}f} (u {one.u:.{digits}f}) made"
    read = "not read" if one.read is None else f"read {signed(one.read, digits)}"
    dial = f"dial at x {one.park.x:g}, y {one.park.y:g} {read}, {signed(one.expected, digits)} expected"
    return f"{one.adjuster}: {asked}{moved}; {dial}. {one.says}"
