"""``GET /v1/solvers``: which solvers there are, what they need, and how to ask for them."""

from __future__ import annotations

import inspect
from typing import Any

import msgspec
from litestar import get
from litestar.handlers import HTTPRouteHandler

from tramwright_solvers.registry import Registry

from .. import examples, problems
from ..payloads import SolverDetail, SolverEntry, SolverList
from ..problems import RequestError


def entries(registry: Registry) -> list[SolverEntry]:
    """Return every solver, and every plug-in that cannot be used with the reason."""
    usable = [
        SolverEntry(
            name,
            registry.origins[name],
            True,
            version=solver.version,
            says=(inspect.getdoc(solver) or "").partition("\n")[0] or None,
            needs=solver.needs,
        )
        for name, solver in registry.solvers.items()
    ]
    return usable + [SolverEntry(entry.name, entry.origin, False, reason=entry.reason) for entry in registry.unusable]


def detail(registry: Registry, name: str) -> SolverDetail:
    """Return one solver with its options and a working example.

    Raises:
        RequestError: there is none of that name.
    """
    entry = next((entry for entry in entries(registry) if entry.name == name), None)
    if entry is None:
        known = ", ".join(f"`{solver}`" for solver in registry.solvers)
        raise RequestError(problems.NOT_FOUND, f"No solver here is called `{name}`. Installed: {known}.")
    common = msgspec.structs.asdict(entry)
    if not entry.usable:
        return SolverDetail(**common)
    solver = registry.solvers[name]
    shipped = examples.corrections().get((solver.example or "").removesuffix(".json"))
    return SolverDetail(**common, options=msgspec.json.schema(solver), example=shipped)


def create(registry: Registry) -> list[HTTPRouteHandler]:
    """Return the routes for one registry."""

    @get(
        "/v1/solvers",
        operation_id="listSolvers",
        summary="List the solvers of this installation",
        tags=["solvers"],
        sync_to_thread=False,
    )
    def list_solvers() -> SolverList:
        """List every solver, built in or plug-in; a plug-in that cannot be used says why."""
        return SolverList(entries(registry))

    @get(
        "/v1/solvers/{name:str}",
        operation_id="describeSolver",
        summary="Describe one solver: its needs, its options, an example that works",
        tags=["solvers"],
        sync_to_thread=False,
    )
    def describe_solver(name: str) -> SolverDetail:
        """Describe one solver with the JSON Schema of its options and a payload to start from."""
        return detail(registry, name)

    return [list_solvers, describe_solver]


