"""Which solvers there are: the built-in ones and those found through entry points, in one immutable registry.

A built-in that breaks the contract stops start-up. A plug-in that does is listed as unusable with the reason, and the
service starts without it.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from types import MappingProxyType
from typing import Any, Union

from msgspec import Struct

from ..model.contract import CONTRACT, Mechanism
from ..model.errors import Fault, Refused
from ..model.machine import Machine
from . import sentences

GROUP = "tramwright.solvers"
"""Entry-point group under which plug-ins announce themselves: ``name = "package.module:Class"``."""


class Unusable(Struct, frozen=True):
    """A plug-in that was found and cannot be used."""

    name: str
    origin: str
    reason: str


class Registry(Struct, frozen=True):
    """Every solver by name, with where it came from, and the plug-ins that could not be used."""

    solvers: Mapping[str, type[Mechanism]]
    origins: Mapping[str, str]
    unusable: tuple[Unusable, ...] = ()

    def union(self) -> Any:
        """Return the tagged union of all solvers' options: the type of one item of ``solve.with``."""
        return Union[tuple(self.solvers.values())]  # noqa: UP007 - built at run time

    def suited(self, machine: Machine) -> tuple[Mechanism, ...]:
        """Return, with default options, every solver that the machine's description supports.

        Raises:
            Refused: none does.
        """
        chosen = tuple(solver() for solver in self.solvers.values() if solver.suits(machine))
        if not chosen:
            needs = "; ".join(f"`{name}`: {solver.needs}" for name, solver in self.solvers.items())
            raise Refused([Fault("/machine", sentences.nothing_adjustable(needs))])
        return chosen


def why_unusable(candidate: object, taken: Iterable[str]) -> str | None:
    """Return the reason why a candidate breaks the contract, or None if it keeps it."""
    if not (inspect.isclass(candidate) and issubclass(candidate, Mechanism)):
        return sentences.NOT_A_MECHANISM
    if candidate.contract != CONTRACT:
        return sentences.other_contract(candidate.contract, CONTRACT)
    config = candidate.__struct_config__
    if not (config.frozen and config.forbid_unknown_fields and isinstance(config.tag, str)):
        return sentences.STRUCT_TOO_LOOSE
    if candidate.name() in taken:
        return sentences.name_taken(candidate.name())
    required = [field.name for field in _fields(candidate) if field.required]
    if required:
        return sentences.options_without_default(required)
    return None


def _fields(struct: type[Struct]) -> tuple[Any, ...]:
    from msgspec.structs import fields

    return fields(struct)


def build(built_in: Iterable[type[Mechanism]], plug_ins: Iterable[EntryPoint] = ()) -> Registry:
    """Build a registry from built-in classes and entry points.

    Raises:
        TypeError: a built-in breaks the contract.
    """
    solvers: dict[str, type[Mechanism]] = {}
    origins: dict[str, str] = {}
    unusable: list[Unusable] = []
    for solver in built_in:
        if reason := why_unusable(solver, solvers):
            raise TypeError(f"built-in solver {solver!r}: {reason}")
        solvers[solver.name()] = solver
        origins[solver.name()] = "built in"
    for entry in sorted(plug_ins, key=lambda entry: (entry.name, entry.value)):
        origin = f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value
        try:
            candidate = entry.load()
            reason = why_unusable(candidate, solvers)
        except Exception as error:  # a stranger's module may raise anything; it must not stop ours
            reason = sentences.failed_to_load(error)
        if reason:
            unusable.append(Unusable(entry.name, origin, reason))
        else:
            solvers[candidate.name()] = candidate
            origins[candidate.name()] = origin
    return Registry(MappingProxyType(solvers), MappingProxyType(origins), tuple(unusable))


@cache
def installed(with_plug_ins: bool = True) -> Registry:
    """Return the registry of this environment."""
    from . import BUILT_IN

    return build(BUILT_IN, entry_points(group=GROUP) if with_plug_ins else ())
