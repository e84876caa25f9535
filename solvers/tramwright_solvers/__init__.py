"""From dial-indicator readings over a machine bed to the moves that make bed and tool plane parallel.

The names below are the library; everything else is its inside. They are loaded when first used, so that importing the
package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .comparison.compare import compare
    from .correction.api import correct, correct_stack
    from .lead_error.check import check_heights
    from .model.errors import Fault, Impossible, OutOfTime, Refused, SolverError
    from .model.machine import Machine
    from .model.options import Solve
    from .model.survey import Survey
    from .planning import plan_survey
    from .results.correction import Correction
    from .reversal import reverse

_HOME = {
    "Machine": "model.machine",
    "Survey": "model.survey",
    "Solve": "model.options",
    "correct": "correction.api",
    "correct_stack": "correction.api",
    "plan_survey": "planning",
    "reverse": "reversal",
    "compare": "comparison.compare",
    "check_heights": "lead_error.check",
    "Correction": "results.correction",
    "SolverError": "model.errors",
    "Refused": "model.errors",
    "Impossible": "model.errors",
    "OutOfTime": "model.errors",
    "Fault": "model.errors",
}

__all__ = [
    "Correction",
    "Fault",
    "Impossible",
    "Machine",
    "OutOfTime",
    "Refused",
    "Solve",
    "SolverError",
    "Survey",
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
