"""A plug-in's class with a guard around each of its methods, and the question whether it can be used at all.

The guard is a subclass that the registry puts in place of the plug-in, so nothing else has to know of it and built-in
solvers are called as they are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

import msgspec
from msgspec.structs import replace

from ...model.contract import Mechanism, Site
from ...model.errors import PlugInFault, SolverError
from ...model.machine import Machine
from . import sentences
from .outputs import CHECKS, Broken

FAILURES = (Exception, SystemExit)
"""What a stranger's code may raise that must not end the service; an interrupt from the keyboard passes."""

# Positions are invented; each machine describes only what built-in solvers answer.
_CORNERS = [{"id": f"support-{i}", "x": x, "y": y} for i, (x, y) in enumerate(((0, 0), (300, 0), (300, 300), (0, 300)))]
_MIDDLE = {"id": "middle", "x": 150, "y": 140}
_VEES = [at | {"mount": {"kind": "vee", "axis": 45 + 90 * i}} for i, at in enumerate(_CORNERS[:3])]
_SEATS = [
    {"id": f"{rail}-{y}", "rail": rail, "x": x, "y": y} for rail, x in (("left", 0), ("right", 300)) for y in (0, 300)
]
PLAIN_MACHINES: dict[str, dict[str, Any]] = {
    "three supports": {"supports": _CORNERS[:3]},
    "four supports": {"supports": _CORNERS},
    "five supports": {"supports": [*_CORNERS, _MIDDLE]},
    "three vees": {"supports": _VEES},
    "two rails": {"rails": {"along": "y", "seats": _SEATS}},
}


def guarded(candidate: type[Mechanism], origin: str, built_in: Sequence[type[Mechanism]]) -> type[Mechanism]:
    """Return the plug-in with its methods guarded: each raises PlugInFault, or Refused as the contract allows.

    ``suits`` says no where it fails, and where the plug-in would move what a solver of ``built_in`` moves.
    """
    name = candidate.name()

    def suits(cls: type[Mechanism], machine: Machine) -> bool:
        try:
            # a machine that describes something for this solver by name means it, whatever else could move the same
            return bool(candidate.suits(machine)) and (name in machine.extras or not shared(cls(), machine, built_in))
        except FAILURES:
            return False

    own: dict[str, Any] = {
        "__doc__": candidate.__doc__,
        "__module__": candidate.__module__,
        "suits": classmethod(suits),
        "plain": candidate,
    }
    for method, check in CHECKS.items():
        if getattr(candidate, method) is not getattr(Mechanism, method):
            own[method] = _checked(getattr(candidate, method), check, name, origin)
    if candidate.limited is not Mechanism.limited:

        def limited(self: Mechanism) -> bool:
            with told(name, origin, "limited"):
                return bool(candidate.limited.__get__(self))

        own["limited"] = property(limited)
    made: Any = msgspec.defstruct(
        candidate.__name__, [], bases=(candidate,), namespace=own, frozen=True, tag=name, forbid_unknown_fields=True
    )
    return cast("type[Mechanism]", made)


def _checked(
    method: Callable[[Any, Any], Any], check: Callable[[Any, Any, Any], Any], name: str, origin: str
) -> Callable[[Mechanism, Any], Any]:
    def call(self: Mechanism, asked: Any) -> Any:
        with told(name, origin, method.__name__):
            return check(self, asked, method(self, read_only(asked)))

    call.__doc__ = method.__doc__
    return call


@contextmanager
def told(name: str, origin: str, method: str) -> Iterator[None]:
    """Say whose fault an exception is; what the contract lets a method raise passes."""
    try:
        yield
    except SolverError:
        raise
    except Broken as error:
        raise PlugInFault(sentences.failed(name, origin, method, str(error))) from error
    except FAILURES as error:
        raise PlugInFault(sentences.failed(name, origin, method, sentences.raised(error))) from error


def read_only(asked: Any) -> Any:
    """Return the argument with copies of its arrays that cannot be written to."""
    if not isinstance(asked, Site):
        return asked
    arrays = {name: getattr(asked, name).copy() for name in ("points", "travels") if hasattr(asked, name)}
    for one in arrays.values():
        one.setflags(write=False)
    return replace(asked, **arrays)


def shared(mechanism: Mechanism, machine: Machine, built_in: Sequence[type[Mechanism]]) -> bool:
    """Say whether a mechanism would move what a built-in solver that suits the machine moves."""
    wanted = {name for one in mechanism.adjusters(machine) for name in (one.id, one.pointer)}
    others = [one for solver in built_in if solver.suits(machine) for one in solver().adjusters(machine)]
    return any(one.id in wanted or one.pointer in wanted for one in others)


def why_harmful(candidate: type[Mechanism]) -> str | None:
    """Return why a plug-in's ``suits`` cannot be trusted: it fails, or wants machines that built-in solvers answer."""
    for said, described in PLAIN_MACHINES.items():
        machine = msgspec.convert({"bed": {"x": [0, 300], "y": [0, 300]}, **described}, Machine)
        try:
            candidate()
            wants = candidate.suits(machine)
        except FAILURES as error:
            return sentences.suits_failed(sentences.raised(error))
        if wants:
            return sentences.claims(said)
    return None
