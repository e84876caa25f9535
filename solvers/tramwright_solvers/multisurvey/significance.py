"""What counts as a change, what could have been seen of one, and how far an adjuster's travel is known at all.

Tests are two-sided with the risk :data:`.reliability.ALPHA`; the smallest change that would have been seen is that of
power :data:`.reliability.POWER`, as Baarda chose them (*A testing procedure for use in geodetic networks*, 1968).
"""

from __future__ import annotations

from statistics import NormalDist
from typing import Literal

import numpy as np

from ..diagnostics.reliability import ALPHA, non_centrality
from ..linalg.orthogonalize import less
from ..model.contract import Floats

CRITICAL = NormalDist().inv_cdf(1.0 - ALPHA / 2.0)
"""A change is significant beyond this many standard uncertainties: 3.29."""

CLOSE = 1e-4
"""Parts of a direction of length one below this count as none."""

Known = Literal["alone", "together", "unseen"]


def tested(change: float, u: float) -> tuple[float, float, bool, float]:
    """Return a change, its u, whether it is significant, and the smallest change that would have been seen."""
    return float(change), float(u), bool(abs(change) > CRITICAL * u), float(non_centrality() * u)


def beyond_chance(excess: float, dof: int) -> bool:
    """Say whether a sum of squares of ``dof`` errors of variance one is larger than chance makes it."""
    if dof <= 0:
        return False
    from scipy.special import chdtri

    return excess > float(chdtri(float(dof), ALPHA))


def how_known(null: Floats, over_bed: Floats, allowed: Floats) -> list[Known]:
    """Say of each of m adjusters how it is known: ``alone``, ``together`` with others, or ``unseen``.

    ``null`` (m, d) spans the travels that the stations cannot see. What no survey could see, ``together``, is the null
    space of the effect ``over_bed`` (n, m) within the ``allowed`` travels (m, p).
    """
    effect = np.concatenate([over_bed @ allowed, np.zeros((allowed.shape[1],) * 2)])
    _, s, right = np.linalg.svd(effect, full_matrices=False)
    never = allowed @ right[s <= CLOSE * 1e-3 * max(float(s.max(initial=0.0)), 1.0)].T
    here = less(null, never)
    return [
        "unseen" if unseen else "together" if together else "alone"
        for unseen, together in zip(
            np.linalg.norm(here, axis=1) > CLOSE, np.linalg.norm(never, axis=1) > CLOSE, strict=True
        )
    ]
