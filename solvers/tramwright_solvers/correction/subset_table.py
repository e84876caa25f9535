"""Subsets of adjusters with their fits, for one geometry or for many of one kind at once."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from math import sqrt

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..adjustment.candidates import Candidates
from ..adjustment.subset_lsq import join_fits
from ..model.contract import Floats
from ..model.options import Criterion
from ..model.units import K
from ..uncertainty.range import fitted_factor

ANOTHER = 0.5
"""Effort, beside its own, of an adjuster that was not to be moved when work was begun: of two ways as good, the one
begun is kept to. Our own choice."""


class SubsetTable(Struct, frozen=True, dict=True):
    """K subsets of the adjusters and their answers, for one geometry (g = 1) or one for each survey of a stack (g = N).

    ``effort`` (K,) is that of each subset, ``added`` (g, K) what errors of setting add to its total's u, ``least``
    (g, m) the smallest travel of each adjuster that is worth asking for, ``limit`` what the machine is held to,
    ``division`` that of its dial. Of work ``begun`` what comes as near as the best total is known is as good as it.
    """

    candidates: Candidates
    effort: Floats
    added: Floats
    least: Floats
    limit: float
    division: float
    begun: bool = False

    @cached_property
    def unknowns(self) -> np.ndarray:
        """How many unknowns each subset's fit has (K,), at the most: kinds of gap that it can make, and the offset."""
        own, count = self.candidates, np.array(self.candidates.count)
        return np.asarray((np.minimum(count, own.fits.basis.shape[2]) + own.problem.offset_free) * (count > 0))

    def known_alike(self, uniform: float, criterion: Criterion) -> tuple[Floats, Floats]:
        """Return how many times wider than that of two readings the u of each subset's total is (K,), and that u (g, K)
        where every station has this standard uncertainty."""
        if (known := self._alike.get((uniform, criterion))) is None:
            wider = fitted_factor(self.unknowns, self.candidates.fits.basis.shape[1], criterion) / K
            known = self._alike[uniform, criterion] = wider, np.hypot(sqrt(2.0) * uniform * wider, self.added)
        return known

    @cached_property
    def _alike(self) -> dict[tuple[float, Criterion], tuple[Floats, Floats]]:
        return {}

    @cached_property
    def kind(self) -> tuple[object, ...]:
        """What must be the same for geometries to be joined."""
        own = self.candidates
        return (
            own.sets,
            self.effort.tobytes(),
            own.problem.effort.tobytes(),
            own.fits.lift.shape,
            self.limit,
            self.division,
        )


def efforts(candidates: Candidates, begun: frozenset[int]) -> Floats:
    """Return the effort of every subset (K,); ``begun`` are the adjusters that work under way was begun with."""
    effort = np.array(candidates.effort)
    return (
        effort + ANOTHER * np.array([len(begun.union(one)) - len(begun) for one in candidates.sets])
        if begun
        else effort
    )


def join_tables(many: Sequence[SubsetTable]) -> SubsetTable:
    """Return the options of a stack each of whose surveys has a geometry of its own, all of one kind.

    Only what needs neither bounds nor the minimum zone may be asked of them.
    """
    first = many[0]
    fits = join_fits([one.candidates.fits for one in many])
    return replace(
        first,
        candidates=replace(first.candidates, fits=fits),
        added=np.concatenate([one.added for one in many]),
        least=np.concatenate([one.least for one in many]),
    )
