"""All that the author of a plug-in solver needs, in one module; :mod:`.conformance` checks what is written with it."""

from .model.contract import CONTRACT, Adjuster, Conditions, Effect, Floats, Mechanism, Move, Part, Site
from .model.errors import Fault, Impossible, OutOfTime, Refused
from .model.machine import Bed, Indicator, Machine, Mount, Rails, Screw, Seat, Sheet, Support
from .model.units import MM_PER_INCH

__all__ = [
    "CONTRACT",
    "MM_PER_INCH",
    "Adjuster",
    "Bed",
    "Conditions",
    "Effect",
    "Fault",
    "Floats",
    "Impossible",
    "Indicator",
    "Machine",
    "Mechanism",
    "Mount",
    "Move",
    "OutOfTime",
    "Part",
    "Rails",
    "Refused",
    "Screw",
    "Seat",
    "Sheet",
    "Site",
    "Support",
]
