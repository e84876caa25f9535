"""Which part of the total supports, rails and no adjuster can remove: one sentence from one survey.

What the supports remove is tilt of the bed. What the rails remove beyond that is twist or bend. The rest is form that
no adjuster changes. A twisted plate and a twisted frame make the same gap: turning the plate by 90° changes the sign of
the plate's twist and not that of the frame's, which tells them apart (Evans, Hocken & Estler, CIRP Annals 45/2, 1996).
"""

from __future__ import annotations

from collections.abc import Sequence

from ..model.machine import Machine
from ..model.units import WRITTEN
from ..results.findings import AsFound, Place
from ..results.moves import Rung
from . import sentences

TURN = sentences.TURN_THE_PLATE


def attribution(
    machine: Machine, kinds: Sequence[str], rungs: Sequence[Rung], found: AsFound, moved: float, read: Sequence[Place]
) -> str:
    """Return the sentence: ``kinds`` says of each rung after the first what its solver adds, supports, seats or other
    parts of the gantry; ``moved`` is the total that the moves leave. What adjusters could do with readings in doubt, or
    with what no station shows, is not known before what is to be ``read`` first is read.

    What all adjusters can do is that or the last rung, which has the best criterion and not always the best total. A
    difference of totals counts as real beyond ``found.expanded``, the expanded uncertainty of a total.
    """
    if read:
        return sentences.NOT_TOLD_YET
    plain, unit = WRITTEN[machine.units], machine.units

    def said(length: float) -> str:
        return f"{plain % length} {unit}"

    left = rungs[-1].total if found.total - moved <= found.expanded else min(moved, rungs[-1].total)
    supports = [rung.total for kind, rung in zip(kinds, rungs[1:], strict=True) if kind == "support"]
    if kinds and kinds[-1] != "support" and supports:
        by_rails = supports[-1] - left
        if by_rails > found.expanded:
            rest = sentences.beyond_adjusters(said(left)) if left > found.expanded else ""
            how = sentences.RAILS_MOVED if kinds[-1] == "seat" else sentences.GANTRY_MOVED
            return sentences.looks_bent(said(supports[-1]), said(by_rails), how, rest, TURN)
    if left <= found.expanded:
        return sentences.ALL_WITHIN_REACH
    if found.total - left > found.expanded:
        return sentences.partly_within_reach(said(found.total - left), said(found.total), said(left), TURN)
    return sentences.nothing_to_gain(said(left), TURN)
