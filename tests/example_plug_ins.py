"""The three example plug-ins of tests/plugins as a registry finds them, with a machine for each; all invented."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import numpy as np

from tramwright_solvers.contract import Floats, Machine, Mechanism
from tramwright_solvers.correction.api import correct
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import Correction


def loaded(module: str, kind: str) -> type[Mechanism]:
    """Import a plug-in from its folder, as installing it would make it importable."""
    spec = importlib.util.spec_from_file_location(module, Path(__file__).parent / "plugins" / module / f"{module}.py")
    assert spec
    assert spec.loader
    made = importlib.util.module_from_spec(spec)
    sys.modules[module] = made
    spec.loader.exec_module(made)
    return getattr(made, kind)


def entry(kind: type[Mechanism]) -> Any:
    dist = SimpleNamespace(name=f"tramwright-{kind.name()}", version="1.0")
    return SimpleNamespace(name=kind.name(), value=kind.__name__, dist=dist, load=lambda: kind)


TILED = loaded("tiled_bed", "TiledBed")
HUNG = loaded("hung_bed", "HungBed")
BEAM = loaded("tilting_beam", "TiltingBeam")
REGISTRY = build(BUILT_IN, [entry(kind) for kind in (TILED, HUNG, BEAM)])

RAILS: dict[str, Any] = {
    "along": "y",
    "seats": [
        {"id": f"{rail}-{at}", "rail": rail, "x": x, "y": y}
        for rail, x in (("left", -40), ("right", 540))
        for at, y in (("front", 0), ("rear", 400))
    ],
}
TILES = [
    {"x": [x, x + 245], "y": [y, y + 195], "supports": [f"tile-{n}-{corner}" for corner in "abc"]}
    for n, (x, y) in enumerate(((0, 0), (255, 0), (0, 205), (255, 205)))
]
DESCRIBED: dict[str, dict[str, Any]] = {
    "tiled-bed": {
        "supports": [
            {"id": name, "x": tile["x"][0] + x, "y": tile["y"][0] + y, "screw": {"lead": 1}}
            for tile in TILES
            for name, (x, y) in zip(tile["supports"], ((25, 20), (220, 30), (120, 170)), strict=True)
        ],
        "extras": {"tiled-bed": {"tiles": TILES}},
    },
    "hung-bed": {
        "supports": [
            {"id": "front-left", "x": 30, "y": 40, "screw": {"lead": 4}},
            {"id": "front-right", "x": 470, "y": 45, "screw": {"lead": 4}},
            {"id": "rear", "x": 250, "y": 370},
        ],
        "extras": {"hung-bed": {"support": "rear", "throw": 2.0, "stands": 25}},
    },
    "tilting-beam": {"extras": {"tilting-beam": {"pivot": -40, "lifter": 540, "click": 0.02, "sag": 0.06}}},
}
"""What the machine of each describes; each beam, bed and bush has its numbers from nowhere but here."""


def machine(name: str, **more: Any) -> Machine:
    described = DESCRIBED[name] | more
    if described.get("rails") is True:
        described["rails"] = RAILS
    return msgspec.convert({"id": "godwit-01", "bed": {"x": [0, 500], "y": [0, 400]}, **described}, Machine)


POINTS = np.array(
    [(x, y) for x in (15, 90, 160, 235, 265, 340, 410, 485) for y in (15, 75, 135, 190, 210, 265, 325, 385)]
)
POINTS = POINTS.astype(float)
"""Sixteen stations on each tile of the tiled bed."""


def survey(gap: Floats, points: Floats = POINTS, **more: Any) -> Survey:
    rows = zip(points.tolist(), gap.tolist(), strict=True)
    return msgspec.convert({"readings": [{"x": x, "y": y, "value": v} for (x, y), v in rows], **more}, Survey)


def answer(made: Machine, read: Survey, *solvers: dict[str, Any] | str, **solve: Any) -> Correction:
    asked = {"with": [{"solver": one} if isinstance(one, str) else one for one in solvers], **solve}
    return correct(made, read, msgspec.convert(asked, Solve[REGISTRY.union()]), REGISTRY)


def travels(found: Correction, names: Sequence[str]) -> Floats:
    moved = {move.adjuster: move.travel for move in found.moves}
    return np.array([moved.get(name, 0.0) for name in names])


def gaps_after(found: Correction) -> Floats:
    return np.array([station.gap for station in found.predicted.stations])


def plane(points: Floats) -> Floats:
    return np.column_stack([np.ones(len(points)), points])


def rail_influence(points: Floats) -> Floats:
    """What the four seats do, by hand: the beam is straight between rails at x = -40 and 540, each straight in y."""
    u, v = (points[:, 0] + 40.0) / 580.0, points[:, 1] / 400.0
    return -np.column_stack([(1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v])


SEATS = [seat["id"] for seat in RAILS["seats"]]
