"""From gaps to what is chosen: every subset of the adjusters worked out, scored, and one taken for each survey."""

from __future__ import annotations

from typing import Any

from msgspec import Struct

from .adjust.fewest import Table
from .adjust.whole import Settled, settle
from .choice import Chosen, Scores, choose, open_nearest, open_pairs, score
from .contract import Floats
from .noise import Noise
from .options import Options
from .prepared import Prepared
from .solve import Solve


class Decided(Struct, frozen=True):
    """Every subset's answer to a stack, what they are worth, and which is chosen for each survey."""

    table: Table
    settled: list[Settled | None]
    scores: Scores
    chosen: Chosen


def decide(prepared: Prepared, solve: Solve[Any], gaps: Floats, noise: Noise) -> Decided:
    """Work out every subset and choose."""
    table = prepared.candidates.evaluate(gaps, solve.criterion, prepared.discrete)
    settled = attain(prepared, solve, table, gaps)
    return taken(prepared.options, solve, gaps, noise, table, settled)


def decide_alone(prepared: Prepared, solve: Solve[Any], gaps: Floats, noise: Noise) -> Decided:
    """Choose as :func:`decide` does, but fit only the minimum zones on which the choice hangs.

    The others keep their least-squares answers, which are never chosen and of which nothing may be told.
    """
    options = prepared.candidates
    if solve.criterion != "minimum-zone" or options.bounded or prepared.whole or noise.uniform is None:
        return decide(prepared, solve, gaps, noise)
    table = options.outline(gaps, solve.criterion)
    least = 2.0 * table.rms
    fitted = open_pairs(prepared.options, score(prepared.options, solve, gaps, noise, table), least)
    options.refine(table, gaps, fitted)
    options.refine(
        table, gaps, open_nearest(prepared.options, score(prepared.options, solve, gaps, noise, table), least) & ~fitted
    )
    return taken(prepared.options, solve, gaps, noise, table, [None] * len(gaps))


def decide_each(options: Options, solve: Solve[Any], gaps: Floats, noise: Noise) -> Decided:
    """Choose for surveys each of a geometry of its own, as :func:`decide` does by least squares without bounds."""
    return taken(options, solve, gaps, noise, options.candidates.outline(gaps, "least-squares"), [None] * len(gaps))


def taken(
    options: Options, solve: Solve[Any], gaps: Floats, noise: Noise, table: Table, settled: list[Settled | None]
) -> Decided:
    """Score what every subset leaves and take one for each survey."""
    scores = score(options, solve, gaps, noise, table)
    return Decided(table, settled, scores, choose(options, scores, table, noise))


def attain(prepared: Prepared, solve: Solve[Any], table: Table, gaps: Floats) -> list[Settled | None]:
    """Where adjusters move in whole steps or by shims, replace the rows of the table by what can be attained."""
    if not prepared.discrete:
        return [None] * len(gaps)
    return [
        settle(
            prepared.candidates,
            table,
            row,
            gap,
            prepared.adjusters,
            solve.criterion,
            prepared.groups,
            solve.time_limit,
        )
        for row, gap in enumerate(gaps)
    ]
