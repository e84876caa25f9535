"""How alike the remainder of a gap is from place to place: by distance, as a cubic, and not at all between patches."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..linalg.grids import scaled_to
from ..model.contract import Floats
from .form_terms import term_columns

if TYPE_CHECKING:
    from ..model.machine import Bed

LENGTHS = (0.15, 0.35, 0.8)
"""Lengths over which it changes, in mean sides of the bed: a Matérn function of smoothness 5/2. Beside these likenesses
stands that of cubics, which go on rising beyond the outermost stations."""

FINE, PER_PATCH = 101, 6
"""Points along each side of the bed that show where its patches end, and of each patch at which it is drawn."""


def places_on_patches(bed: Bed, patch_at: Callable[[Floats], Floats]) -> Floats:
    """Return places (G, 2) over every patch of a bed to its own edges, as far as a fine grid shows where those are."""
    x, y = np.meshgrid(np.linspace(*bed.x, FINE), np.linspace(*bed.y, FINE))
    fine = np.column_stack([x.ravel(), y.ravel()])
    label, found = patch_at(fine), list[Floats]()
    for one in np.unique(label, axis=0):
        own = fine[np.all(label == one, axis=1)]
        x, y = np.meshgrid(
            *(np.linspace(low, high, PER_PATCH) for low, high in zip(own.min(0), own.max(0), strict=True))
        )
        places = np.column_stack([x.ravel(), y.ravel()])
        found.append(places[np.all(patch_at(places) == one, axis=1)])
    return np.concatenate(found)


class Patches(NamedTuple):
    """On which patch of the bed stations (n, p) and places (G, p) lie."""

    here: Floats
    there: Floats

    def same(self) -> np.ndarray:
        """Return where two of all of them (n + G, n + G), the stations first, lie on one patch."""
        both = np.concatenate([self.here, self.there])
        return np.asarray(np.all(both[:, None] == both[None], axis=2))

    def unread(self, planes: Floats) -> bool:
        """Say whether some patch has a place, but not stations (n, 3 per patch) that show how it lies."""
        return (
            int(np.linalg.matrix_rank(planes)) < planes.shape[1]
            or not self.same()[len(planes) :, : len(planes)].any(axis=1).all()
        )


def stations_of(patches: Floats | None) -> list[list[int]]:
    """Return the numbers of the stations on each patch, given on which patches each lies (n, p); none for one piece."""
    if patches is None:
        return []
    return [np.flatnonzero(np.all(patches == one, axis=1)).tolist() for one in np.unique(patches, axis=0)]


def patch_planes(bed: Bed, points: Floats, of: Floats, known: Floats) -> Floats:
    """Return the planes of patches at points (n, 2) that lie on the patches ``of`` (n, p), zero beyond each; the
    patches are those of ``known``. Shape (n, 3 per patch).
    """
    affine = term_columns(bed, points)[:, :3]
    return np.concatenate([affine * np.all(of == one, axis=1)[:, None] for one in np.unique(known, axis=0)], axis=1)


def likenesses(bed: Bed, points: Floats, patches: Patches | None = None) -> Iterator[Floats]:
    """Yield how alike the remainder is at points (a, 2) of a bed: by distance for each length, and as a cubic; (a, a).

    By distance it is the Matérn correlation of smoothness 5/2. What lies on different ``patches`` is not alike at all.
    """
    from scipy.spatial.distance import cdist

    same = 1.0 if patches is None else patches.same().astype(np.float64)
    side = 0.5 * float(np.ptp(bed.x) + np.ptp(bed.y))
    apart = cdist(points, points)
    for length in LENGTHS:
        yield same * matern(apart * (sqrt(5.0) / (length * side)))
    terms = cubics(bed, points)
    yield same * (terms @ terms.T)


def matern(apart: Floats) -> Floats:
    """Return the Matérn correlation of smoothness 5/2 for distances in units of length / √5."""
    return np.asarray((1.0 + apart + apart * apart / 3.0) * np.exp(-apart))


def cubics(bed: Bed, points: Floats) -> Floats:
    """Return the four cubic terms over the bed at points (a, 2), shape (a, 4)."""
    u, v = scaled_to(bed, points)
    return np.column_stack([u**3, u * u * v, u * v * v, v**3])
