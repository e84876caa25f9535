"""What the machine page starts from: examples of the solvers, threads to choose, and which way each screw turns."""

from __future__ import annotations

from itertools import product
from typing import Any

import msgspec

from tramwright_solvers.correction.steps.work_order import turn_direction
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.machine import Screw
from tramwright_solvers.model.units import MM_PER_INCH

from ..catalogue.solvers import detail

COARSE = {
    "M3": 0.5, "M3.5": 0.6, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M8": 1.25, "M10": 1.5, "M12": 1.75, "M14": 2.0,
    "M16": 2.0, "M18": 2.5, "M20": 2.5,
}  # fmt: skip
"""Pitch in mm of ISO metric coarse threads, ISO 261; `tests/reference/test_threads_and_shims.py` names the source."""
LEAD_SCREWS = {
    "Tr8 × 1.5": 1.5, "Tr8 × 2": 2.0, "Tr8 × 4 (P2)": 4.0, "Tr8 × 8 (P2)": 8.0, "Tr10 × 2": 2.0, "Tr12 × 3": 3.0,
    "Tr16 × 4": 4.0, "Tr20 × 4": 4.0,
}  # fmt: skip
"""Lead in mm of lead screws that machines of this kind often have: common practice, no source."""
UNIFIED = {"#8-32": 32, "#10-24": 24, "1/4-20": 20, "5/16-18": 18, "3/8-16": 16, "1/2-13": 13}
"""Threads an inch of unified coarse screws that often level a bed: common practice, no source."""


def machine_data(registry: Registry) -> dict[str, Any]:
    """Return the data of the page: plain values, lengths in both units, so that the page has nothing to work out."""
    described = {name: detail(registry, name).example for name in registry.solvers}
    threads = [
        *(("coarse", name, pitch, pitch / MM_PER_INCH) for name, pitch in COARSE.items()),
        *(("lead-screw", name, lead, lead / MM_PER_INCH) for name, lead in LEAD_SCREWS.items()),
        *(("unified", name, MM_PER_INCH / count, 1.0 / count) for name, count in UNIFIED.items()),
    ]
    return {
        "templates": {name: example["machine"] for name, example in described.items() if example},
        "threads": [dict(zip(("group", "name", "mm", "inch"), thread, strict=True)) for thread in threads],
        "turns": turns(),
    }


def turns() -> list[dict[str, Any]]:
    """Return which way every screw that can be described is turned to raise the bed, as the steps of an answer say it.

    A member that is null is left out of the description. Screws that contradict themselves are not among them.
    """
    kinds = product(
        (None, "right", "left"),
        (None, "above", "below"),
        (None, "lead-screw", "nut-on-frame", "nut-under-bed"),
        (None, "stays", "travels"),
    )
    names = ("hand", "turned_from", "build", "turned_part")
    screws = [msgspec.convert({"lead": 1.0, **dict(zip(names, kind, strict=True))}, Screw) for kind in kinds]
    return [
        {
            **{name: getattr(screw, name) for name in names},
            "raises": turn_direction(screw, 1.0),
            "seen_from": screw.seen_from,
        }
        for screw in screws
        if not screw.contradicts_itself
    ]
