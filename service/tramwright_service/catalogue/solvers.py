"""The installed solvers, as the route and the command line list them."""

from __future__ import annotations

import inspect
from collections.abc import Callable

import msgspec

from tramwright_solvers.mechanisms.registry import Registry

from ..wire import problems
from ..wire.json_schema import tidy
from ..wire.problems import RequestError
from ..wire.requests import LastFault, SolverDetail, SolverEntry
from . import examples


def no_fault(name: str) -> LastFault | None:
    """Say of every solver that nothing has happened."""
    return None


def entries(registry: Registry, last_fault: Callable[[str], LastFault | None] = no_fault) -> list[SolverEntry]:
    """Return every solver, and every plug-in that cannot be used with the reason."""
    usable = [
        SolverEntry(
            name,
            registry.origins[name],
            True,
            version=solver.version,
            says=(inspect.getdoc(solver) or "").partition("\n")[0] or None,
            needs=solver.needs,
            last_fault=last_fault(name),
        )
        for name, solver in registry.solvers.items()
    ]
    return usable + [SolverEntry(entry.name, entry.origin, False, reason=entry.reason) for entry in registry.unusable]


def detail(registry: Registry, name: str, last_fault: Callable[[str], LastFault | None] = no_fault) -> SolverDetail:
    """Return one solver with its options and a working example.

    Raises:
        RequestError: there is none of that name.
    """
    entry = next((entry for entry in entries(registry, last_fault) if entry.name == name), None)
    if entry is None:
        known = ", ".join(f"`{solver}`" for solver in registry.solvers)
        raise RequestError(problems.NOT_FOUND, f"No solver here is called `{name}`. Installed: {known}.")
    common = msgspec.structs.asdict(entry)
    if not entry.usable:
        return SolverDetail(**common)
    if (guest := registry.guests.get(name)) is not None:
        own = None if guest.extras is None else tidy(guest.extras, {})
        return SolverDetail(**common, options=tidy(guest.options, {}), extras=own, example=guest.example)
    solver = registry.solvers[name]
    shipped = examples.corrections().get((solver.example or "").removesuffix(".json"))
    extras = None if solver.extras is None else tidy(msgspec.json.schema(solver.extras), {})
    return SolverDetail(**common, options=tidy(msgspec.json.schema(solver), {}), extras=extras, example=shipped)
