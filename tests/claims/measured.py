"""All statements that are measured; each draws its machines from a seed of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from .beyond import drifting, scaled, scattering
from .comparisons import unmoved
from .corrections import as_found, of_a_zone, predicted, travels, unseen, whole_bed
from .forecast import passes
from .row import Row
from .slips import shown
from .suspects import found, offered, offered_on_hard_forms

Measure = Callable[[np.random.Generator, int], Iterator[Row]]
MEASURES: tuple[Measure, ...] = (
    travels,
    of_a_zone,
    as_found,
    predicted,
    unseen,
    whole_bed,
    unmoved,
    passes,
    shown,
    drifting,
    scattering,
    scaled,
    offered,
    found,
    offered_on_hard_forms,
)


def rows(measure: Measure, machines: int) -> list[Row]:
    """Return the rows of a measure, each of so many machines; the same machines every time."""
    return list(measure(np.random.default_rng([31, MEASURES.index(measure)]), machines))
