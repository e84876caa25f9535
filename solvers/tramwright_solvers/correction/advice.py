"""What to do with a survey that is not in doubt."""

from __future__ import annotations

from ..model.units import K
from ..results.correction import Advice, Verdict
from ..results.findings import AsFound
from . import sentences
from .decision import Decision
from .geometry import Geometry

MOVE, NOTHING = Advice("move"), Advice("nothing")


def advise(
    prepared: Geometry, decided: Decision, row: int, count: int, found: AsFound, after: AsFound, told: Verdict
) -> tuple[str, Advice]:
    """Return what to do now with one survey not in doubt, whose totals and verdict are ``told``: in words, and in one.

    ``count`` adjusters are moved.
    """
    chosen, unit = decided.chosen, prepared.machine.units
    if count:
        return sentences.moves_bring(count, found.total, after.total, after.expanded, unit), MOVE
    if not chosen.alone[row]:
        return sentences.no_sure_gain(told.as_found), NOTHING
    could = int(chosen.could[row])
    total, u = float(decided.scores.total[row, could]), float(decided.scores.u[row, could])
    return sentences.within_already(prepared.named(could), found.total, total, K * u, unit), NOTHING
