"""``GET /v1/solvers``: which solvers there are, what they need, and how to ask for them."""

from __future__ import annotations

from typing import Annotated

from litestar import get
from litestar.handlers import HTTPRouteHandler
from litestar.params import Parameter

from ...catalogue.solvers import detail, entries
from ...execution.plug_ins.hosts import PlugIns
from ...wire.requests import SolverDetail, SolverList
from ..access import READ


def create(plug_ins: PlugIns) -> list[HTTPRouteHandler]:
    """Return the routes for the solvers of one registry and for the plug-ins beside it."""
    registry = plug_ins.registry

    @get(
        "/v1/solvers",
        operation_id="listSolvers",
        summary="List the solvers of this installation",
        response_description="Every solver, with what the machine must describe for it.",
        tags=["solvers"],
        opt=READ,
        sync_to_thread=False,
    )
    def list_solvers() -> SolverList:
        """List every solver, built in or plug-in; a plug-in that cannot be used says why.

        One over which processes have ended says when last, how, and whether it is on hold.
        """
        return SolverList(entries(registry, plug_ins.last_fault))

    @get(
        "/v1/solvers/{name:str}",
        operation_id="describeSolver",
        summary="Describe one solver: its needs, its options, an example that works",
        response_description="The solver, the JSON Schema of its options, and a payload in which it works.",
        tags=["solvers"],
        opt=READ,
        sync_to_thread=False,
    )
    def describe_solver(name: Annotated[str, Parameter(description="Name of the solver, as listed.")]) -> SolverDetail:
        """Describe one solver with the JSON Schema of its options and a payload to start from."""
        return detail(registry, name, plug_ins.last_fault)

    return [list_solvers, describe_solver]
