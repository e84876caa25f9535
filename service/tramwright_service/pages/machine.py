"""What the machine page starts from: solvers with their examples, threads to choose, and which way each screw turns."""

from __future__ import annotations

from itertools import product
from typing import Any

from tramwright_solvers.correction.steps.work_order import turn_direction
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.machine import Screw
from tramwright_solvers.model.units import MM_PER_INCH

COARSE = {
    "M3": 0.5, "M3.5": 0.6, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M7": 1.0, "M8": 1.25, "M10": 1.5, "M12": 1.75, "M14": 2.0,
    "M16": 2.0, "M18": 2.5, "M20": 2.5,
}  # fmt: skip
"""Pitch in mm of the ISO metric coarse threads: ISO 261, table of the coarse series."""
LEAD_SCREWS = {
    "Tr8 × 2": 2.0, "Tr8 × 4 (P2)": 4.0, "Tr8 × 8 (P2)": 8.0, "Tr10 × 2": 2.0, "Tr12 × 3": 3.0, "Tr16 × 4": 4.0,
    "Tr20 × 4": 4.0,
}  # fmt: skip
"""Lead in mm of lead screws that machines of this kind often have: common practice, no source."""
THREADS_AN_INCH = {"#8-32": 32, "#10-24": 24, "1/4-20": 20, "5/16-18": 18, "3/8-16": 16, "1/2-13": 13}
"""Threads an inch of unified coarse screws: ASME B1.1, coarse series."""


def machine_data(registry: Registry) -> dict[str, Any]:
    """Return the data of the page: plain values, lengths in both units, so that the page has nothing to work out."""
    return {
        "solvers": [*registry.solvers],
        "threads": [
            {"group": group, "name": name, "mm": lead, "inch": lead / MM_PER_INCH}
            for group, threads in (("coarse", COARSE), ("lead-screw", LEAD_SCREWS))
            for name, lead in threads.items()
        ]
        + [
            {"group": "unified", "name": name, "mm": MM_PER_INCH / count, "inch": 1.0 / count}
            for name, count in THREADS_AN_INCH.items()
        ],
        "turns": [*turns()],
    }


def turns() -> list[dict[str, Any]]:
    """Return which way every kind of screw is turned to raise the bed, as the steps of an answer say it."""
    builds: list[dict[str, Any]] = [
        *({"build": build, "turned_part": None} for build in ("lead-screw", "nut-on-frame", "nut-under-bed")),
        *({"build": None, "turned_part": part} for part in ("stays", "travels")),
    ]
    screws = [
        {"hand": hand, "turned_from": side, **build}
        for hand, side, build in product(("right", "left"), ("above", "below"), builds)
    ]
    return [{**screw, "raises": turn_direction(Screw(1.0, **screw), 1.0)} for screw in screws]
