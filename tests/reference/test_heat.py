"""Heat: expansion as the handbook lists it, and the bow of a plate that is warmer on one side."""

from __future__ import annotations

import numpy as np
import pytest

from references import reference
from tramwright_solvers.diagnostics.form_terms import form
from tramwright_solvers.mechanisms.kinematic import WARMING, Kinematic
from tramwright_solvers.model.contract import Move
from tramwright_solvers.model.machine import Bed, Machine, Mount, Support
from tramwright_solvers.model.materials import EXPANSION, expansion_of


@reference(
    "published",
    source="W. D. Callister, Materials Science and Engineering, Table B.6, coefficients of linear expansion, 1e-6/K",
    proves="the expansion of every bed material that the service knows by name",
)
def test_expansion_of_materials() -> None:
    published = {
        "aluminium": 23.6, "aluminum": 23.6, "aluminium 6061": 23.6, "aluminium 2024": 22.9, "aluminium 7075": 23.4,
        "cast aluminium": 21.5, "steel": 11.7, "steel 4140": 12.3, "stainless steel": 17.2, "stainless steel 304": 17.2,
        "stainless steel 316": 15.9, "cast iron": 11.4, "grey iron": 11.4, "glass": 9.0, "granite": 7.9,
        "borosilicate glass": 3.3,
    }  # fmt: skip
    # A name that is not in the book would be a value without a source.
    assert EXPANSION.keys() == published.keys()
    for name, expansion in published.items():
        assert expansion_of(name) == pytest.approx(expansion * 1e-6, abs=0.05e-6)


@reference(
    "derived",
    source="α·ΔT·r for balls on a circle of radius r about the point at rest, with Callister's 23.6e-6/K for 6061",
    proves="how far the contacts of a kinematic mount slide as the bed warms, and which point stays put",
)
def test_slide_of_the_contacts() -> None:
    supports = [
        Support(
            f"s{k}",
            250.0 + 200.0 * np.cos(np.radians(angle)),
            250.0 + 200.0 * np.sin(np.radians(angle)),
            mount=Mount("vee", axis=angle),
        )
        for k, angle in enumerate((90.0, 210.0, 330.0))
    ]
    machine = Machine(bed=Bed((0.0, 500.0), (0.0, 500.0), material="Aluminium 6061"), supports=supports)
    effects = {e.name: e.value for e in Kinematic().effects(Move(machine, np.zeros((1, 2)), np.zeros(3)))}
    # 23.6e-6 × 10 K × 200 mm = 0.0472 mm along each groove, away from the middle.
    assert WARMING == 10.0
    assert effects["slide of a contact for 10 °C"] == pytest.approx(0.0472, abs=5e-5)
    at_rest = [effects[f"point at rest when the bed warms, {axis}"] for axis in "xy"]
    assert at_rest == pytest.approx([250.0, 250.0], abs=1e-9)


@reference(
    "derived",
    source="a plate with a through-thickness difference ΔT has the curvature α·ΔT/t, so over L it bows by α·ΔT·L²/(8 "
    "t): 92.1875 µm for L 500, t 8, 1 K and 23.6e-6/K",
    proves="that the bow in the breakdown is the sagitta a handbook speaks of",
)
def test_bow_of_a_plate_warmer_below() -> None:
    expansion = expansion_of("aluminium")
    assert expansion is not None
    bed = Bed((0.0, 500.0), (0.0, 500.0))
    points = np.array([(x, y) for y in (0.0, 250.0, 500.0) for x in (0.0, 125.0, 250.0, 375.0, 500.0)])
    curvature = expansion * 1.0 / 8.0
    gap = -0.5 * curvature * ((points[:, 0] - 250.0) ** 2 + (points[:, 1] - 250.0) ** 2)
    bows = {term: row for row, term in enumerate(("offset", "tilt-x", "tilt-y", "twist", "bow-x", "bow-y"))}
    prepared = form(bed, points, np.ones(len(points)))
    coefficients = prepared.fit @ gap
    for name in ("bow-x", "bow-y"):
        # Sagitta in mm: from the middle to the edge, over the whole length.
        assert abs(coefficients[bows[name]]) == pytest.approx(0.0921875, abs=5e-8)
        assert abs(coefficients[bows[name]]) * prepared.spread[bows[name]] == pytest.approx(0.0921875, abs=5e-8)
    assert coefficients[bows["twist"]] == pytest.approx(0.0, abs=1e-15)
