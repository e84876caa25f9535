"""Machines and surveys for the tests of the stored farm: invented, and named after birds."""

from __future__ import annotations

from typing import Any

BIRDS = ("kestrel", "wren", "heron", "plover", "dunlin", "siskin", "linnet", "avocet", "curlew", "gannet")

SCREW = {"lead": 1.0}
SUPPORTS = [
    {"id": "left", "x": 30.0, "y": 40.0, "screw": SCREW},
    {"id": "right", "x": 470.0, "y": 40.0, "screw": SCREW},
    {"id": "rear", "x": 250.0, "y": 460.0, "screw": SCREW},
]
PLACES = [(x, y) for y in (20.0, 250.0, 480.0) for x in (20.0, 250.0, 480.0)]


def machine(**more: Any) -> dict[str, Any]:
    """A machine to store: a bed on three screws, held to 0.1 mm."""
    described = {"bed": {"x": [0.0, 500.0], "y": [0.0, 500.0]}, "supports": SUPPORTS, "limit": {"total": 0.1}}
    return {"machine": described, **more}


def survey(tilt: float = 0.0, taken_at: str | None = None, **more: Any) -> dict[str, Any]:
    """A survey of it: the right side high by ``tilt`` mm over 460 mm, and a little form of the bed."""
    readings = [
        {"x": x, "y": y, "value": round(tilt * (x - 20.0) / 460.0 + 0.003 * ((x * 7 + y * 3) % 5 - 2), 4)}
        for x, y in PLACES
    ]
    return {"survey": {"readings": readings, "taken_at": taken_at}, **more}


WITHIN, OUTSIDE, UNDECIDED = 0.0, 0.4, 0.09
"""Tilts with which a survey finds the machine within its limit, outside, and neither."""
