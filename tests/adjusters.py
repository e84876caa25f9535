"""Invented adjusters: a seat on shims and a screw."""

from __future__ import annotations

from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Sheet


def seat(name: str = "seat", **more: object) -> Adjuster:
    options: dict[str, object] = {"stock": (Sheet(0.1, 1000),), "lower": -sum(more.get("fitted", ()))}
    return Adjuster(name, "seat", 5.0, f"/machine/rails/seats/{name}", **(options | more))


def screw(name: str, **more: object) -> Adjuster:
    return Adjuster(name, "support", 1.0, f"/machine/supports/{name}", **more)
