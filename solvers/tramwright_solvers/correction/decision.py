"""From gaps to the chosen subset of adjusters: every subset is fitted and scored, and one is chosen for each survey."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..adjustment.active_bounds import binding
from ..adjustment.candidates import SubsetAnswers
from ..adjustment.discrete_subsets import DiscreteAnswers, solve_discrete
from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline
from ..model.options import Solve
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..results.findings import AsFound
from ..results.moves import Binding, Choice
from ..uncertainty.conformity import Known
from ..uncertainty.range import MOST_FACTOR, margin_as_read, outside_margin
from . import sentences
from .geometry import Geometry
from .relinearize import Settled, added_by_setting, settle_rows, travel_u
from .scoring import Scores, score
from .selection import Selection, choose, undecided_nearest, undecided_subsets
from .subset_table import SubsetTable, join_tables

Extremes = tuple[AsFound, Known]
"""One total of one survey: as it is written, and as the verdict takes it."""


class Totals(Struct, frozen=True):
    """Two totals of each of N surveys, as found and after the moves chosen: (2, N) each.

    Of the subset of ``index``: the ``total``, its ``u`` and what errors of ``setting`` add to it, the ``rms``, what is
    ``left`` at the stations (2, N, n), and at which of them it is ``high`` and ``low``.
    """

    index: np.ndarray
    left: Floats
    total: Floats
    u: Floats
    setting: Floats
    rms: Floats
    high: np.ndarray
    low: np.ndarray


class Decision(Struct, frozen=True, dict=True):
    """Every subset's answer to a stack with what it is worth, and which is chosen for each survey.

    ``prepared`` names the geometry of each survey, which may be one and the same; the machines have one limit.
    ``options`` are the subsets; ``bent`` are by survey and subset the travels of adjusters that are not linear, empty
    where all are.
    """

    prepared: Sequence[Geometry]
    options: SubsetTable
    settled: list[DiscreteAnswers | None]
    scores: Scores
    chosen: Selection
    bent: Sequence[Mapping[int, Settled]] = ()

    @cached_property
    def totals(self) -> Totals:
        """The totals that are told."""
        scores, added, (surveys, subsets) = self.scores, self.options.added, self.scores.total.shape
        rows, index = np.arange(surveys), np.zeros((2, surveys), dtype=np.intp)
        index[1] = self.chosen.index
        left, at = scores.left[rows, :, index], subsets * rows + index
        return Totals(
            index=index,
            left=left,
            total=scores.total.take(at),
            u=scores.u.take(at),
            setting=added.take(at if len(added) > 1 else index),
            rms=scores.rms.take(at),
            high=left.argmax(axis=2),
            low=left.argmin(axis=2),
        )

    @cached_property
    def extremes(self) -> list[list[Extremes]]:
        """The totals of every survey, as found and after the moves."""
        told, limit, division = self.totals, self.options.limit, self.options.division
        index, totals, u, setting = told.index, told.total, told.u, told.setting
        margins = expanded = K * u
        inside = np.where(index == 0, margin_as_read(u, division), expanded)
        near = (totals > limit) & (totals - MOST_FACTOR * u <= limit)
        if np.count_nonzero(near):
            read = np.sqrt(np.maximum(u[near] ** 2 - setting[near] ** 2, 0.0)) / self.scores.wider[index[near]]
            margins = expanded.copy()
            margins[near] = outside_margin(told.left[near], read, setting[near])
        numbers = (totals, u, expanded, told.rms, margins, inside, setting, told.high, told.low)
        return [
            [
                (AsFound(total, u, wide, K, rms, own.places[high], own.places[low]), (total, u, margin, within, added))
                for own, total, u, wide, rms, margin, within, added, high, low in zip(
                    self.prepared, *of_state, strict=True
                )
            ]
            for of_state in zip(*(values.tolist() for values in numbers), strict=True)
        ]

    def unsettled(self, row: int) -> bool:
        """Say whether the travels chosen for a survey had not settled."""
        known = self.bent[row].get(int(self.chosen.index[row])) if self.bent else None
        return known is not None and not known.sure


Chooser = Callable[[Geometry, Solve[Any], Floats, GapCovariance, Deadline], Decision]
"""What chooses for every survey of a stack: :func:`decide` or :func:`decide_lazily`."""


def decide(
    prepared: Geometry, solve: Solve[Any], gaps: Floats, noise: GapCovariance, within: Deadline = NEVER
) -> Decision:
    """Work out every subset and choose.

    Raises:
        OutOfTime: the time is up.
    """
    table, same = prepared.candidates.evaluate(gaps, solve.criterion, prepared.discrete, within), [prepared] * len(gaps)
    settled = solve_discrete_rows(prepared, solve, table, gaps, within)
    if prepared.linear:
        return score_and_choose(same, prepared.options, solve, gaps, noise, table, settled)
    bent = settle_rows(prepared, solve.criterion, solve.time_limit, table, gaps, settled, within)
    options = replace(prepared.options, added=added_by_setting(prepared, bent))
    decided = score_and_choose(same, options, solve, gaps, noise, table, settled)
    chosen = decided.chosen
    for row, index in enumerate(chosen.index.tolist()):
        if index in bent[row]:
            chosen.u[row] = travel_u(prepared, index, bent[row][index], noise.some(np.array([row])).of)
    return replace(decided, bent=bent)


def decide_lazily(
    prepared: Geometry, solve: Solve[Any], gaps: Floats, noise: GapCovariance, within: Deadline = NEVER
) -> Decision:
    """Choose as :func:`decide` does, but fit only the minimum zones on which the choice depends.

    The others keep their least-squares answers, which are not chosen and must not be reported.
    """
    options = prepared.candidates
    easy = prepared.linear and not (options.bounded or prepared.whole)
    if solve.criterion != "minimum-zone" or not easy or noise.uniform is None:
        return decide(prepared, solve, gaps, noise, within)
    table = options.outline(gaps, solve.criterion)
    least = 2.0 * table.rms
    fitted = undecided_subsets(prepared.options, score(prepared.options, solve, gaps, noise, table), least)
    options.refine(table, gaps, fitted, within)
    nearest = undecided_nearest(score(prepared.options, solve, gaps, noise, table), least)
    options.refine(table, gaps, nearest & ~fitted, within)
    rows = len(gaps)
    decided = score_and_choose([prepared] * rows, prepared.options, solve, gaps, noise, table, [None] * rows)
    # travels too small to be set were passed over, and so the choice depends on others than those fitted
    return decide(prepared, solve, gaps, noise, within) if decided.chosen.passed_over else decided


def decide_across_geometries(
    prepared: Sequence[Geometry], solve: Solve[Any], gaps: Floats, noise: GapCovariance
) -> Decision:
    """Choose for surveys each of a geometry of its own, as :func:`decide` does by least squares without bounds."""
    options = join_tables([one.options for one in prepared])
    table = options.candidates.outline(gaps, "least-squares")
    return score_and_choose(prepared, options, solve, gaps, noise, table, [None] * len(gaps))


def score_and_choose(
    prepared: Sequence[Geometry],
    options: SubsetTable,
    solve: Solve[Any],
    gaps: Floats,
    noise: GapCovariance,
    table: SubsetAnswers,
    settled: list[DiscreteAnswers | None],
) -> Decision:
    """Score what every subset leaves and take one for each survey."""
    scores = score(options, solve, gaps, noise, table)
    return Decision(prepared, options, settled, scores, choose(options, solve, scores, noise))


def solve_discrete_rows(
    prepared: Geometry, solve: Solve[Any], table: SubsetAnswers, gaps: Floats, within: Deadline
) -> list[DiscreteAnswers | None]:
    """Where adjusters move in whole steps or by shims, replace the rows of the table by what can be attained."""
    if not prepared.discrete:
        return [None] * len(gaps)
    return [
        solve_discrete(
            prepared.candidates,
            table,
            row,
            gap,
            prepared.adjusters,
            solve.criterion,
            prepared.groups,
            solve.time_limit,
            within,
        )
        for row, gap in enumerate(gaps)
    ]


def describe_choice(
    prepared: Geometry,
    solve: Solve[Any],
    decided: Decision,
    row: int,
    gap: Floats,
    doubt: str | None,
    within: Deadline = NEVER,
) -> Choice:
    """Return one survey's choice in words; ``gap`` (n,). ``doubt`` says why nothing is moved yet, None if it is not so.

    Raises:
        OutOfTime: the time is up.
    """
    options, scores, settled, unit = prepared.candidates, decided.scores, decided.settled[row], prepared.machine.units
    aim, (index, reached, known, alone) = scores.aim, decided.chosen.listed[row]
    if doubt is not None:
        return Choice([], "none", aim, doubt, options.exact_moves)
    if alone:
        return Choice([], "within", aim, sentences.WITHIN, options.exact_moves)
    shown = options.least_shown(index, len(prepared.free))
    if reached:
        why = sentences.least_effort(aim, unit, searched=settled is not None, shown=shown)
    elif index == 0:
        why = sentences.nothing_gains(solve.most_moves)
    elif aim == 0.0 and not prepared.begun:
        why = sentences.best_attainable(solve.criterion, solve.most_moves, shown=shown)
    else:
        why = sentences.not_sure_to_reach(aim, known, unit, solve.most_moves, shown=shown)
    if not scores.may_stand:
        why += sentences.cannot_stay([prepared.because[at] for at in np.flatnonzero(options.problem.excludes_zero)])
    more: tuple[Binding, ...] = ()
    if not reached and options.bounded and scores.covered[row, index] > aim:
        moving = prepared.groups[-1] if options.problem.permits(prepared.groups[-1]) else options.sets[index]
        more = binding(
            options.problem, prepared.adjusters, moving, gap, solve.criterion, within, because=prepared.because
        )
        if more:
            why += sentences.relaxation(more[0], float(scores.total[row, index]), unit)
    unproven, unsettled = settled.gap if settled else 0.0, decided.unsettled(row)
    if unsettled:
        why += sentences.UNSETTLED
    return Choice(
        prepared.named(index),
        "reached" if reached else "stopped" if unproven > 0.0 or unsettled else "best",
        aim,
        why,
        options.exact_moves,
        unproven,
        more,
    )
