"""Regular grids of points over the bed."""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats
from ..model.machine import Bed


def bed_grid(bed: Bed) -> Floats:
    """Return a 7 × 7 grid over the whole bed, shape (49, 2): fine enough for every form that adjusters make."""
    x, y = np.meshgrid(np.linspace(*bed.x, 7), np.linspace(*bed.y, 7))
    return np.column_stack([x.ravel(), y.ravel()])
