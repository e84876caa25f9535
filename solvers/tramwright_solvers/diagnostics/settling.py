"""Which stations to read as well, so that a survey shows what it does not show yet."""

from __future__ import annotations

import numpy as np

from ..linalg.orthogonalize import lengths
from ..model.contract import Floats

SHOWN = 0.2
"""A direction is shown if the readings tell it as well as one reading would that sees this share of it. Our own
choice."""


def settling_places(here: Floats, there: Floats) -> list[int]:
    """Return which of the places to read, in the order of what each adds, so that every column shows.

    ``here`` (n, p) are the columns of what is to be told apart at the stations read, ``there`` (c, p) at the places
    that may be read. Greedy: each place is the one that sees most of what is not shown yet.
    """
    size = lengths(there) / np.sqrt(len(there))
    _, singular, right = np.linalg.svd(here / size)
    shown = np.concatenate([singular, np.zeros(len(right) - len(singular))]) > SHOWN
    hidden, found = (there / size) @ right[~shown].T, list[int]()
    for _ in range(hidden.shape[1]):
        seen = np.sum(hidden**2, axis=1)
        best = int(np.argmax(np.round(seen, 9)))
        if seen[best] <= SHOWN**2:
            break
        found.append(best)
        own = hidden[best] / np.sqrt(seen[best])
        hidden = hidden - np.outer(hidden @ own, own)
    return found
