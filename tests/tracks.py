"""Surveys of a machine as they are followed, without any service: a bed of 400 mm, nine stations; all invented."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tramwright_solvers.diagnostics.form_terms import OVER_BED, term_columns
from tramwright_solvers.history.outlook import NAMES, SHAPES, Last, Outlook, outlook
from tramwright_solvers.history.trends import Track
from tramwright_solvers.model.machine import Bed

SIDE = 400.0
PLACES = np.array([(x, y) for y in (0.0, 200.0, 400.0) for x in (0.0, 200.0, 400.0)])
LIMIT, U = 0.1, 0.003
TILT, TWIST = NAMES.index("tilt-x"), NAMES.index("twist")


def shapes(scale: float = 1.0) -> np.ndarray:
    """Gap at the stations (9, 5) for one unit of each term over the bed."""
    return term_columns(Bed((0.0, SIDE * scale), (0.0, SIDE * scale)), PLACES * scale)[:, 1:] / OVER_BED[1:]


def track(
    days: Sequence[float], terms: np.ndarray, begins: Sequence[int] = (), *, noise: float = 0.0, seed: int = 0
) -> Track:
    """Surveys with these shapes (n, 5), each read with an error of ``noise``; before some something was moved."""
    random = np.random.default_rng(seed)
    found = np.asarray(terms, float) + noise * random.normal(size=(len(days), 5))
    totals = np.ptp(found @ shapes().T, axis=1)
    rest = np.abs(0.004 + noise * random.normal(size=len(days)))
    values = np.column_stack([totals, found, rest])
    first = np.isin(np.arange(len(days)), [0, *begins])
    return Track(np.asarray(days, float), values, np.full(values.shape, U), first, U / np.sqrt(2.0))


def seen(one: Track, *, outside: bool = False, moved: bool = False, scale: float = 1.0) -> Outlook:
    """What they have come to; ``scale`` where lengths are in another unit."""
    bed = Bed((0.0, SIDE * scale), (0.0, SIDE * scale))
    gap = shapes() @ one.values[-1, SHAPES]
    return outlook(one, Last(bed, PLACES * scale, gap), LIMIT * scale, outside=outside, moved=moved)
