"""The trade-off between the number of moves and what is left, and what each group of adjusters can do."""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats
from ..results.moves import Plan, Rung
from .decision import Decision
from .scoring import TIE

TradeOff = tuple[list[Plan], list[Rung]]


def trade_offs(decided: Decision) -> list[TradeOff]:
    """Return both for each survey."""
    return list(zip(plans_by_size(decided), ladders(decided), strict=True))


def plans_by_size(decided: Decision) -> list[list[Plan]]:
    """Return for each survey the best subset for each number of moves, as long as one more still gains something."""
    scores, chosen, options, of_size = decided.scores, decided.chosen, decided.options, decided.prepared[0].plans
    starts, (surveys, subsets) = of_size.starts, scores.total.shape

    def within_size(values: Floats, slack: Floats | float) -> np.ndarray:
        within: np.ndarray = values <= np.minimum.reduceat(values, starts, axis=1).take(of_size.of, axis=1) + slack
        return within

    pool = within_size(scores.objective, scores.slack)
    if np.count_nonzero(pool) > surveys * len(starts):
        pool = within_size(np.where(pool, options.effort, np.inf), TIE)
        # the plan that is carried out stands for its size wherever it is among the equals
        work = scores.work.copy()
        work[np.arange(surveys), chosen.index] = -1.0
        pool = within_size(np.where(pool, work, np.inf), scores.slack)
    best = np.minimum.reduceat(np.where(pool, of_size.numbers, subsets), starts, axis=1)
    at = best + np.arange(0, surveys * subsets, subsets)[:, None]
    told = (best, *(values.take(at) for values in (scores.objective, scores.total, scores.rms)))
    rows = zip(
        decided.prepared, *(column.tolist() for column in (*told, chosen.index, scores.slack[:, 0])), strict=True
    )
    found, count, effort = [], options.candidates.count, options.candidates.effort
    for prepared, places, objectives, totals, rmses, picked, slack in rows:
        reached, listed = objectives[0], list[Plan]()
        for index, objective, total, rms in zip(places, objectives, totals, rmses, strict=True):
            if objective < reached - slack:
                reached, own = objective, (count[index], prepared.named(index))
                listed.append(Plan(*own, total, rms, effort[index], index == picked))
        found.append(listed)
    return found


def ladders(decided: Decision) -> list[list[Rung]]:
    """Return for each survey what is left once each solver's adjusters, with those before, have done all they can."""
    scores = decided.scores
    best = (scores.objective[:, None, :] + decided.prepared[0].plans.beyond).argmin(axis=2)
    best += np.arange(0, scores.total.size, scores.total.shape[1])[:, None]
    rows = zip(decided.prepared, scores.total.take(best).tolist(), scores.rms.take(best).tolist(), strict=True)
    return [[Rung(*rung) for rung in zip(("as found", *own.versions), *row, strict=True)] for own, *row in rows]
