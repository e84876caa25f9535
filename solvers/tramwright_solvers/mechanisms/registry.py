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
from .plug_ins.calls import CALLS
from .plug_ins.described import Announced, Description, announced, origin_of, stand_in
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
    """Every solver by name, with where it came from, and the plug-ins that could not be used.

    The ``guests`` among the solvers are plug-ins known by description: what asks for them is answered elsewhere.
    """

    solvers: Mapping[str, type[Mechanism]]
    origins: Mapping[str, str]
    unusable: tuple[Unusable, ...] = ()
    guests: Mapping[str, Description] = MappingProxyType({})

    def union(self) -> Any:
        """Return the tagged union of all solvers' options: the type of one item of ``solve.with``."""
        return Union[tuple(self.solvers.values())]  # noqa: UP007 - built at run time

    def built_in(self) -> Registry:
        """Return the registry without plug-ins."""
        own = {name: solver for name, solver in self.solvers.items() if self.origins[name] == OWN}
        return Registry(MappingProxyType(own), MappingProxyType(dict.fromkeys(own, OWN)))

    def with_guests(self, described: Iterable[Description]) -> Registry:
        """Return the registry with plug-ins that other processes found; a name that is taken stays whose it is."""
        solvers, origins = dict(self.solvers), dict(self.origins)
        unusable, guests = list(self.unusable), dict(self.guests)
        for one in described:
            reason = told.name_taken(one.name) if one.reason is None and one.name in solvers else one.reason
            if reason is not None:
                unusable.append(Unusable(one.plug_in.name, one.plug_in.origin, reason))
                continue
            solvers[one.name], origins[one.name], guests[one.name] = stand_in(one), one.plug_in.origin, one
        return Registry(MappingProxyType(solvers), MappingProxyType(origins), tuple(unusable), MappingProxyType(guests))

    def guests_among(self, mechanisms: Iterable[Mechanism]) -> tuple[str, ...]:
        """Return the names of those that are guests."""
        return tuple([name for one in mechanisms if (name := one.name()) in self.guests]) if self.guests else ()

    def __reduce__(self) -> tuple[Any, ...]:
        """Send the classes that can be imported; the guards of plug-ins are put on again where it arrives."""
        plain = {
            name: getattr(solver, "plain", solver) for name, solver in self.solvers.items() if name not in self.guests
        }
        guards = frozenset(name for name, solver in plain.items() if self.solvers[name] is not solver)
        origins = {name: self.origins[name] for name in plain}
        return restored, (plain, origins, self.unusable, guards, tuple(self.guests.values()))

    def unread_extras(self, machine: Machine) -> list[Fault]:
        """Return a fault for everything under ``machine.extras`` that no solver of this registry reads."""
        if not machine.extras:
            return []
        readers = [name for name, solver in self.solvers.items() if solver.extras is not None]
        readers += [name for name, guest in self.guests.items() if guest.extras is not None]
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


def build(built_in: Iterable[type[Mechanism]], plug_ins: Iterable[EntryPoint | Announced] = ()) -> Registry:
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
        origin = origin_of(entry)
        try:
            with CALLS.call(entry.name, origin, told.LOADING):
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
    plain: dict[str, type[Mechanism]],
    origins: dict[str, str],
    unusable: tuple[Unusable, ...],
    guards: frozenset[str],
    guests: tuple[Description, ...],
) -> Registry:
    """Return a registry that was sent to another process."""
    own = tuple([solver for name, solver in plain.items() if origins[name] == OWN])
    solvers = {name: guarded(one, origins[name], own) if name in guards else one for name, one in plain.items()}
    return Registry(MappingProxyType(solvers), MappingProxyType(origins), unusable).with_guests(guests)


def announced_here() -> tuple[Announced, ...]:
    """Return the plug-ins that this environment announces, without importing them."""
    return announced(entry_points(group=GROUP))


@cache
def installed(with_plug_ins: bool = True) -> Registry:
    """Return the registry of this environment."""
    from . import BUILT_IN

    return build(BUILT_IN, entry_points(group=GROUP) if with_plug_ins else ())
