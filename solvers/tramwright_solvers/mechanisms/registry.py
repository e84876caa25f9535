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
from ..model.sentences import NOBODY, extras_of_nobody
from . import sentences
from .adjusters import adjusters_of
from .plug_ins import sentences as told
from .plug_ins.guard import FAILURES, guarded, why_harmful

OWN = "built in"
"""Origin of the solvers that belong to this package."""
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

    def built_in(self) -> Registry:
        """Return the registry without plug-ins."""
        own = {name: solver for name, solver in self.solvers.items() if self.origins[name] == OWN}
        return Registry(MappingProxyType(own), MappingProxyType(dict.fromkeys(own, OWN)))

    def __reduce__(self) -> tuple[Any, ...]:
        """Send the classes that can be imported; the guards of plug-ins are put on again where it arrives."""
        plain = {name: getattr(solver, "plain", solver) for name, solver in self.solvers.items()}
        guards = frozenset(name for name, solver in self.solvers.items() if plain[name] is not solver)
        return restored, (plain, dict(self.origins), self.unusable, guards)

    def unread_extras(self, machine: Machine) -> list[Fault]:
        """Return a fault for everything under ``machine.extras`` that no solver of this registry reads."""
        readers = [name for name, solver in self.solvers.items() if solver.extras is not None]
        known = ", ".join(f"`{name}`" for name in readers) or NOBODY
        return [
            Fault(f"/machine/extras/{name.replace('~', '~0').replace('/', '~1')}", extras_of_nobody(name, known))
            for name in machine.extras
            if name not in readers
        ]

    def suiting(self, machine: Machine) -> tuple[Mechanism, ...]:
        """Return, with default options, every solver that suits a machine, which may be none.

        Where the machine describes something for one solver by name, that moves what others would move as well.
        """
        chosen = tuple(solver() for solver in self.solvers.values() if solver.suits(machine))
        named = [one for one in chosen if one.name() in machine.extras]
        if not named:
            return chosen
        taken = {adjuster.pointer for one in named for adjuster in adjusters_of(machine, one)}
        return tuple(
            one
            for one in chosen
            if one in named or not any(adjuster.pointer in taken for adjuster in adjusters_of(machine, one))
        )

    def suited(self, machine: Machine) -> tuple[Mechanism, ...]:
        """Return, with default options, every solver that the machine's description supports.

        Raises:
            Refused: none does.
        """
        chosen = self.suiting(machine)
        if not chosen:
            needs = "; ".join(f"`{name}`: {solver.needs}" for name, solver in self.solvers.items())
            raise Refused([Fault("/machine", sentences.nothing_adjustable(needs))])
        return chosen


def why_unusable(candidate: object, taken: Iterable[str]) -> str | None:
    """Return the reason why a candidate breaks the contract, or None if it keeps it."""
    if not (inspect.isclass(candidate) and issubclass(candidate, Mechanism)):
        return told.NOT_A_MECHANISM
    if candidate.contract != CONTRACT:
        return told.other_contract(candidate.contract, CONTRACT)
    config = candidate.__struct_config__
    if not (config.frozen and config.forbid_unknown_fields and isinstance(config.tag, str)):
        return told.STRUCT_TOO_LOOSE
    if not all(isinstance(text, str) for text in (candidate.version, candidate.needs)):
        return told.WORDS_WANTED
    if candidate.name() in taken:
        return told.name_taken(candidate.name())
    required = [field.name for field in _fields(candidate) if field.required]
    if required:
        return told.options_without_default(required)
    return None


def why_undeclared(candidate: type[Mechanism]) -> str | None:
    """Return what a plug-in has to add that does not say itself which contract it was written for."""
    own = [kind for kind in candidate.__mro__ if issubclass(kind, Mechanism) and kind is not Mechanism]
    return None if any("contract" in vars(kind) for kind in own) else told.undeclared(CONTRACT)


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
        origins[solver.name()] = OWN
    own = tuple(solvers.values())
    for entry in sorted(plug_ins, key=lambda entry: (entry.name, entry.value)):
        origin = f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value
        try:
            candidate = entry.load()
            reason = why_unusable(candidate, solvers) or why_undeclared(candidate) or why_harmful(candidate)
        except FAILURES as error:  # a stranger's module may raise anything; it must not stop ours
            reason = told.failed_to_load(error)
        if reason:
            unusable.append(Unusable(entry.name, origin, reason))
        else:
            solvers[candidate.name()] = guarded(candidate, origin, own)
            origins[candidate.name()] = origin
    return Registry(MappingProxyType(solvers), MappingProxyType(origins), tuple(unusable))


def restored(
    plain: dict[str, type[Mechanism]], origins: dict[str, str], unusable: tuple[Unusable, ...], guards: frozenset[str]
) -> Registry:
    """Return a registry that was sent to another process."""
    own = tuple([solver for name, solver in plain.items() if origins[name] == OWN])
    solvers = {name: guarded(one, origins[name], own) if name in guards else one for name, one in plain.items()}
    return Registry(MappingProxyType(solvers), MappingProxyType(origins), unusable)


@cache
def installed(with_plug_ins: bool = True) -> Registry:
    """Return the registry of this environment."""
    from . import BUILT_IN

    return build(BUILT_IN, entry_points(group=GROUP) if with_plug_ins else ())
