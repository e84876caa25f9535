"""Subsets of adjusters of equal size, to be fitted together by the minimum zone."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from msgspec import Struct

from ..model.contract import Floats
from ..model.deadline import Deadline
from .minimum_zone import Spans, nearest, spans
from .problem import Problem

MOST_SPANNED = 2**20
"""Numbers of designs of one size, 8 MB, beyond which their spans are not kept, but worked out for some at a time."""


class Zone(Struct, frozen=True, dict=True):
    """Subsets (k,) of equal size s and freedom f: their ``columns`` (k, s) and ``free`` travels (k, s, f)."""

    problem: Problem
    subsets: np.ndarray
    columns: np.ndarray
    free: Floats

    def nearest(self, gaps: Floats, member: np.ndarray, within: Deadline) -> Floats:
        """Return the coefficients of the best fits of gaps (b, n) by the members whose numbers are given, (b,).

        Raises:
            OutOfTime: the time is up.
        """
        each = len(self.problem.weights) * (self.free.shape[2] + self.problem.offset_free)
        if len(self.subsets) * each <= MOST_SPANNED:
            return nearest(self.kept, gaps, member, within).coefficients
        coefficients = np.empty((len(gaps), self.free.shape[2] + self.problem.offset_free))
        step = max(1, MOST_SPANNED // each)
        for start in range(0, len(self.subsets), step):
            some = (member >= start) & (member < start + step)
            if some.any():
                known = self.spanned(slice(start, start + step))
                coefficients[some] = nearest(known, gaps[some], member[some] - start, within).coefficients
        return coefficients

    @cached_property
    def kept(self) -> Spans:
        """The spans of all members."""
        return self.spanned(slice(None))

    def spanned(self, some: slice) -> Spans:
        """Return the spans of what members' travels do to the gap, with a column of ones where the offset is free."""
        columns = self.columns[some]
        design = np.stack(
            [self.problem.influence[:, own] @ free for own, free in zip(columns, self.free[some], strict=True)]
        )
        if self.problem.offset_free:
            design = np.concatenate([design, np.ones((*design.shape[:2], 1))], axis=2)
        return spans(design)
