"""The same machine described in the other unit of length or from another origin."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from ..model.contract import Floats
from ..model.machine import Machine

PLACES = ("x", "y", "z", "block_spacing", "tool_offset")
SIZES = (
    "thickness",
    "lead",
    "travel",
    "step",
    "setting",
    "stock",
    "fitted",
    "division",
    "error_limit",
    "repeatability",
    "total",
)
LENGTHS = frozenset(PLACES + SIZES)
"""Fields of a machine that are lengths, to describe the same machine in the other unit."""


def scaled(document: Any, factor: float, lengths: frozenset[str], inside: bool = False) -> Any:
    """Multiply every number that stands under one of the names ``lengths`` by ``factor``."""
    if isinstance(document, dict):
        return {name: scaled(value, factor, lengths, name in lengths) for name, value in document.items()}
    if isinstance(document, list | tuple):
        return [scaled(value, factor, lengths, inside) for value in document]
    if inside and isinstance(document, int | float) and not isinstance(document, bool):
        return document * factor
    return document


def moved(document: Any, shift: Mapping[str, float], by: float = 0.0) -> Any:
    """Add to every number that stands under one of the names of ``shift`` what that says."""
    if isinstance(document, dict):
        return {name: moved(value, shift, shift.get(name, by)) for name, value in document.items()}
    if isinstance(document, list | tuple):
        return [moved(value, shift, by) for value in document]
    number = isinstance(document, int | float) and not isinstance(document, bool)
    return document + by if number and by else document


def shifted(machine: Machine, shift: Floats) -> Machine:
    """Return the same machine seen from an origin moved by minus ``shift``, shape (2,)."""
    document = msgspec.to_builtins(machine)
    placed = [*document["supports"], *(document["rails"]["seats"] if document.get("rails") else [])]
    for place in [document["bed"], *placed]:
        for axis, by in zip("xy", shift.tolist(), strict=True):
            place[axis] = (
                [end + by for end in place[axis]] if isinstance(place[axis], list | tuple) else place[axis] + by
            )
    return msgspec.convert(document, Machine)
