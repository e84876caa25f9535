"""One prepared geometry, for tests that look at one."""

from __future__ import annotations

from typing import Any

from tramwright_solvers.correction.factorize import GeometryRequest, prepare_many
from tramwright_solvers.correction.geometry import Geometry
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.errors import SolverError
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.reduction.readings import Where


def prepare(
    machine: Machine, readings: tuple[Where, ...], solve: Solve[Any], picked: tuple[Mechanism, ...] = ()
) -> Geometry:
    """Check a machine and prepare its geometry; what is wrong with it is raised."""
    (made,) = prepare_many([GeometryRequest(machine, readings, solve, picked)])
    if isinstance(made, SolverError):
        raise made
    return made
