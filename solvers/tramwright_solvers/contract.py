"""All that the author of a plug-in solver needs, in one module; :mod:`.conformance` checks what is written with it."""

from .model.contract import (
    CONTRACT,
    Adjuster,
    AtMost,
    Conditions,
    Effect,
    Floats,
    KnownShape,
    Mechanism,
    Move,
    Part,
    Scale,
    Site,
)
from .model.errors import OPTIONS, Fault, Impossible, OutOfTime, Refused
from .model.machine import Bed, Indicator, Machine, Mount, Rails, Screw, Seat, Sheet, Support
from .model.units import MM_PER_INCH

__all__ = [
    "CONTRACT",
    "MM_PER_INCH",
    "OPTIONS",
    "Adjuster",
    "AtMost",
    "Bed",
    "Conditions",
    "Effect",
    "Fault",
    "Floats",
    "Impossible",
    "Indicator",
    "KnownShape",
    "Machine",
    "Mechanism",
    "Mount",
    "Move",
    "OutOfTime",
    "Part",
    "Rails",
    "Refused",
    "Scale",
    "Screw",
    "Seat",
    "Sheet",
    "Site",
    "Support",
]
