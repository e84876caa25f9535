"""Which part of the total supports, rails and no adjuster can remove: one sentence from one survey.

What the supports remove is tilt of the bed. What the rails remove beyond that is twist or bend. The rest is form that
no adjuster changes. A twisted plate and a twisted frame make the same gap: turning the plate by 90° changes the sign of
the plate's twist and not that of the frame's, which tells them apart (Evans, Hocken & Estler, CIRP Annals 45/2, 1996).
"""

from __future__ import annotations

from collections.abc import Sequence

from ..model.machine import Machine
from ..model.units import DECIMALS
from ..results.correction import Rung
from ..results.findings import AsFound

TURN = "Whether plate or frame is out of shape, a second survey with the plate turned by 90° would tell."


def attribution(machine: Machine, kinds: Sequence[str], rungs: Sequence[Rung], found: AsFound) -> str:
    """Return the sentence: ``kinds`` says of each rung after the first what its solver adds, supports or seats.

    A difference of totals counts as real beyond ``found.U``, the expanded uncertainty of a total.
    """
    digits, unit = DECIMALS[machine.units], machine.units

    def said(length: float) -> str:
        return f"{length:.{digits}f} {unit}"

    left = rungs[-1].total
    supports = [rung.total for kind, rung in zip(kinds, rungs[1:], strict=True) if kind == "support"]
    if kinds and kinds[-1] == "seat" and supports:
        by_rails = supports[-1] - left
        if by_rails > found.U:
            rest = f" The remaining {said(left)} no adjuster reaches." if left > found.U else ""
            return (
                f"Levelled on its supports alone the bed would still read {said(supports[-1])} and look bent; "
                f"{said(by_rails)} of that goes when the rails are moved.{rest} {TURN}"
            )
    if left <= found.U:
        return "All of it is within the adjusters' reach: what would be left the readings cannot tell from nothing."
    if found.total - left > found.U:
        return (
            f"{said(found.total - left)} of {said(found.total)} is within the adjusters' reach; the remaining "
            f"{said(left)} is form or twist that they cannot take out. {TURN}"
        )
    return f"Moving these adjusters would gain no more than the readings can tell: {said(left)} is form. {TURN}"
