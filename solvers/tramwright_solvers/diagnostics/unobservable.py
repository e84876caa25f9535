"""Adjusters whose effect the stations chosen cannot tell from that of others, though the bed would show it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from ..linalg.orthogonalize import apart, in_order
from ..model.contract import Adjuster, Floats
from ..results.findings import Blind
from . import sentences

BLIND_STATIONS, BLIND_BED = 1e-6, 1e-3
"""An adjuster is unseen if its own part is below the first at the stations and above the second over the bed."""

INDEPENDENT = 1e-9
"""A column of which less than this share is its own lies in the span of others."""


class Seeing(Struct, frozen=True):
    """What stations show: ``adjusters`` and ``form`` whether surely all of them and all of its terms.

    ``terms`` say which of offset, tilts and twist, ``u`` is how well they tell each of those:
    :func:`.form_terms.leading_terms`.
    """

    adjusters: bool
    form: bool
    terms: list[bool]
    u: list[float]


def unobservable_adjusters(adjusters: tuple[Adjuster, ...], at_stations: Floats, over_bed: Floats) -> list[Blind]:
    """Name adjusters whose effect the stations cannot tell from that of others, though the bed would show it.

    Each is compared with all that need less effort and, so that no unseen combination is missed, with all that need
    less effort or come before it among equals.
    """
    order = sorted(range(len(adjusters)), key=lambda index: (adjusters[index].effort, index))
    efforts = [adjusters[index].effort for index in order]
    easier = [efforts.index(effort) for effort in efforts]
    here, there = own_parts(at_stations[:, order], easier), own_parts(over_bed[:, order], easier)
    enough = BLIND_STATIONS * np.maximum(1.0, np.abs(at_stations[:, order]).max(axis=0))
    unseen = np.any((here < enough) & (there > BLIND_BED), axis=0)
    found = {index for index, one in zip(order, unseen.tolist(), strict=True) if one}
    return [
        Blind(
            adjuster.id,
            "adjuster",
            sentences.blind_to_adjuster(adjuster.id),
        )
        for index, adjuster in enumerate(adjusters)
        if index in found
    ]


def shows_all(at_stations: Floats, over_bed: Floats) -> np.ndarray:
    """Say of g geometries whether the stations show as many forms of the adjusters as the bed: then none is unseen.

    Columns are (g, n, m) at the stations and (g, p, m) over the bed.
    """
    forms = []
    for columns in (at_stations, over_bed):
        own = columns - columns.mean(axis=1, keepdims=True)
        squares = np.linalg.eigvalsh(own.swapaxes(1, 2) @ own)
        largest = np.maximum(1.0, squares.max(axis=1, keepdims=True, initial=0.0))
        forms.append((squares > BLIND_STATIONS**2 * largest).sum(axis=1))
    return np.asarray(forms[0] >= forms[1])


def own_part(others: Floats, column: Floats) -> float:
    """Return the largest entry of a column (n, 1) once a constant and the span of others (n, k) are taken off."""
    span = np.concatenate([np.ones((len(column), 1)), others], axis=1)
    return float(np.abs(column - span @ np.linalg.lstsq(span, column, rcond=INDEPENDENT)[0]).max())


def own_parts(columns: Floats, easier: Sequence[int]) -> Floats:
    """Return the largest entry of each column (n, m) once a constant and other columns are taken off, shape (2, m).

    The others are first the leading ``easier[j]`` columns, then all that stand before it.
    """
    ordered = in_order(
        np.concatenate([np.ones((len(columns), 1)), columns], axis=1),
        INDEPENDENT * np.concatenate([[0.0], np.linalg.norm(columns, axis=0)]),
    )
    least = [
        np.abs(apart(column, ordered.basis[: start + 1])).max() for column, start in zip(columns.T, easier, strict=True)
    ]
    return np.stack([least, np.abs(ordered.rest[1:]).max(axis=1)])
