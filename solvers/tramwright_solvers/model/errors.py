"""Errors of this package; each says what the sender has to change.

A fault points into ``{machine, survey, solve}`` with an RFC 6901 JSON Pointer and says in a sentence what to change.
The classes differ in whether trying again can help: :class:`Refused` and :class:`Impossible` never do,
:class:`OutOfTime` may.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from msgspec import Meta, Struct

OPTIONS = "/options"
"""Where pointers of a mechanism into its own options begin: ``/options/hinge_y`` is told as ``/solve/with/0/hinge_y``,
wherever the request has them."""


class Fault(Struct, frozen=True):
    """One thing to change, and where."""

    pointer: Annotated[
        str, Meta(description="Where: a JSON Pointer (RFC 6901) into the request; empty for the request as a whole.")
    ]
    detail: Annotated[str, Meta(description="What is wrong there and what to change.")]


def repointed(pointer: str, faults: Sequence[Fault]) -> list[Fault]:
    """Return the same faults of a survey's readings where those stand under another pointer."""
    return [Fault(pointer + fault.pointer.removeprefix("/survey"), fault.detail) for fault in faults]


def in_request(pointer: str, entry: str) -> str:
    """Return where a mechanism's pointer leads in the request that has its options at ``entry``."""
    inside = pointer == OPTIONS or pointer.startswith(f"{OPTIONS}/")
    return entry + pointer.removeprefix(OPTIONS) if inside else pointer


class SolverError(Exception):
    """Base of everything this package raises on purpose."""


class Refused(SolverError):
    """The request was understood and is wrong; every fault found is listed."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__("; ".join(f"{fault.pointer}: {fault.detail}" for fault in faults))
        self.faults = tuple(faults)

    @classmethod
    def at(cls, pointer: str, detail: str) -> Refused:
        """Refuse for a single reason."""
        return cls([Fault(pointer, detail)])

    def told_from(self, entry: str) -> Refused:
        """Return the same refusal as the request has it whose options of this mechanism stand at ``entry``."""
        return type(self)([Fault(in_request(fault.pointer, entry), fault.detail) for fault in self.faults])


class Impossible(Refused):
    """The request is well formed but no travel satisfies it; names what binds and the smallest relaxation."""


class OutOfTime(SolverError):
    """A time limit passed before any answer was found; the same request may succeed later."""


class PlugInFault(SolverError):
    """A plug-in broke its contract; names plug-in, distribution, method and fault. The sender can change nothing."""
