"""The u of a rate is true whenever the drift began, although the beginning was not seen; all tracks are invented."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import stdtrit

from profiles import more
from tramwright_solvers.history.trends import Track, trends_of

TRACKS = 1200 * more(10)
TERMS = 7


def growing(random: np.random.Generator, *, late: bool) -> tuple[Track, np.ndarray]:
    """Surveys of a machine of which one or two terms drift, and the true rates (7,)."""
    days = np.cumsum(random.uniform(3.0, 20.0, int(random.integers(6, 40))))
    u, began = 0.003 * random.uniform(0.7, 1.5, TERMS), days[0] - 1.0
    if late:
        began = random.uniform(0.1, 0.8) * days[-1]
    rates = np.zeros(TERMS)
    for term in random.choice(np.arange(1, 6), int(random.integers(1, 3)), replace=False):
        rates[term] = random.choice([-1.0, 1.0]) * random.uniform(2.0, 25.0) * u[term] / (days[-1] - began)
    values = np.outer(np.maximum(days - began, 0.0), rates) + u * random.normal(size=(len(days), TERMS))
    begins = np.arange(len(days)) == 0
    if random.random() < 0.4:  # people moved something once
        moved = int(random.integers(1, len(days)))
        begins[moved] = True
        values[moved:] += random.normal(0.0, 0.1, TERMS)
    return Track(days - days[-1], values, np.tile(u, (len(days), 1)), begins), rates


@pytest.mark.parametrize("late", [False, True])
def test_rates_of_drifts_are_true_at_their_probability(late: bool) -> None:
    random = np.random.default_rng(20)
    made = [growing(random, late=late) for _ in range(TRACKS)]
    off = []
    for (_, rates), found in zip(made, trends_of([one for one, _ in made]), strict=True):
        told = (found.since >= 0) & (not found.steps)
        error = np.abs(found.rate - rates)[told] / found.rate_u[told]
        off += zip(error.tolist(), stdtrit(found.dof[told], 0.975).tolist(), strict=True)
    error, k = np.array(off).T
    assert len(error) > 0.8 * TRACKS
    # of n at 95 %, no fewer than this but once in a thousand
    assert (error <= k).mean() >= 0.95 - 3.1 * np.sqrt(0.95 * 0.05 / len(error))
    assert (error <= k).mean() <= 0.98  # and u is no larger than it need be
