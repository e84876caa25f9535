"""Which stations to read as well, so that a survey shows what it does not show yet."""

from __future__ import annotations

import numpy as np

from ..model.contract import Floats

RIDGE = 1e-9
"""Information lent to a survey that is too small for its model, relative to one reading."""

SPARE = 2
"""Stations proposed beyond the number of unknowns at the most."""


def settling_places(here: Floats, there: Floats, u: float, enough: float) -> list[int]:
    """Return which of the places to read, in the order of what each adds, until every coefficient is known well enough.

    ``here`` (n, p) are the model's columns at the stations read, ``there`` (c, p) at the places that may be read, ``u``
    is the standard uncertainty of a reading and ``enough`` what that of a coefficient may be. Each place is the one at
    which the model is least known (the greedy way to a D-optimal design; Kiefer & Wolfowitz 1960, from memory).
    """
    unknowns, found = here.shape[1], list[int]()
    information = here.T @ here + RIDGE * np.eye(unknowns)
    while len(found) < unknowns + SPARE:
        covariance = np.linalg.inv(information)
        if u * np.sqrt(covariance.diagonal().max()) <= enough:
            break
        unknown = np.einsum("cp,pq,cq->c", there, covariance, there)
        found.append(int(np.argmax(unknown >= unknown.max() * (1.0 - RIDGE))))
        information += np.outer(there[found[-1]], there[found[-1]])
    return found
