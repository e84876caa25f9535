"""From dial-indicator readings over a machine bed to the moves that make bed and tool plane parallel.

The names below are the library; everything else is its inside. They are loaded when first used, so that importing the
package costs nothing. What describes a machine, a survey or the options is checked when it is made: a value that the
service would refuse raises :class:`Refused`. An answer prints as the text that a person reads at the machine.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .comparison.compare import compare
    from .comparison.results import Comparison
    from .correction.api import correct, correct_stack
    from .lead_error.check import SurveyAtHeight, check_heights
    from .lead_error.results import HeightCheck
    from .mechanisms import FourScrew, Kinematic, ManyScrew, RailShim, ThreeScrew
    from .model.done import Done, Parked
    from .model.errors import Fault, Impossible, OutOfTime, PlugInFault, Refused, SolverError
    from .model.machine import Bed, Indicator, Limit, Machine, Mount, Rails, Screw, Seat, Sheet, Support
    from .model.options import Solve
    from .model.survey import Made, Pass, Previous, Reading, Survey
    from .planning import Area, PlanSolve, SurveyPlan, plan_survey
    from .results.correction import Correction
    from .reversal import PlacedSurvey, Reversal, reverse

_ROOMS = {
    "comparison.compare": ("compare",),
    "comparison.results": ("Comparison",),
    "correction.api": ("correct", "correct_stack"),
    "lead_error.check": ("SurveyAtHeight", "check_heights"),
    "lead_error.results": ("HeightCheck",),
    "mechanisms": ("FourScrew", "Kinematic", "ManyScrew", "RailShim", "ThreeScrew"),
    "model.done": ("Done", "Parked"),
    "model.errors": ("Fault", "Impossible", "OutOfTime", "PlugInFault", "Refused", "SolverError"),
    "model.machine": ("Bed", "Indicator", "Limit", "Machine", "Mount", "Rails", "Screw", "Seat", "Sheet", "Support"),
    "model.options": ("Solve",),
    "model.survey": ("Made", "Pass", "Previous", "Reading", "Survey"),
    "planning": ("Area", "PlanSolve", "SurveyPlan", "plan_survey"),
    "results.correction": ("Correction",),
    "reversal": ("PlacedSurvey", "Reversal", "reverse"),
}
_HOME = {name: room for room, names in _ROOMS.items() for name in names}

__all__ = [
    "Area",
    "Bed",
    "Comparison",
    "Correction",
    "Done",
    "Fault",
    "FourScrew",
    "HeightCheck",
    "Impossible",
    "Indicator",
    "Kinematic",
    "Limit",
    "Machine",
    "Made",
    "ManyScrew",
    "Mount",
    "OutOfTime",
    "Parked",
    "Pass",
    "PlacedSurvey",
    "PlanSolve",
    "PlugInFault",
    "Previous",
    "RailShim",
    "Rails",
    "Reading",
    "Refused",
    "Reversal",
    "Screw",
    "Seat",
    "Sheet",
    "Solve",
    "SolverError",
    "Support",
    "Survey",
    "SurveyAtHeight",
    "SurveyPlan",
    "ThreeScrew",
    "check_heights",
    "compare",
    "correct",
    "correct_stack",
    "plan_survey",
    "reverse",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its room."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_HOME[name]}", __name__), name)


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return __all__
