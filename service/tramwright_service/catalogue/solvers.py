"""The installed solvers, as the route and the command line list them."""

from __future__ import annotations

import inspect

import msgspec

from tramwright_solvers.mechanisms.registry import Registry

from ..wire import problems
from ..wire.json_schema import tidy
from ..wire.problems import RequestError
from ..wire.requests import SolverDetail, SolverEntry
from . import examples


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
    extras = None if solver.extras is None else tidy(msgspec.json.schema(solver.extras), {})
    return SolverDetail(**common, options=tidy(msgspec.json.schema(solver), {}), extras=extras, example=shipped)
