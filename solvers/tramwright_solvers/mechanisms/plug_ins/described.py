"""A plug-in as another process found it: enough to list it, to document it and to recognise who asks for it, without
any of its code in this process."""

from __future__ import annotations

import re
from collections.abc import Iterable
from importlib.metadata import EntryPoint
from typing import Any, cast

import msgspec
from msgspec import Struct

from ...model.contract import Mechanism


class Announced(Struct, frozen=True):
    """A plug-in by its entry point: its name, ``package.module:Class``, and the distribution that brings it."""

    name: str
    value: str
    origin: str

    def load(self) -> Any:
        """Import it."""
        return EntryPoint(self.name, self.value, "").load()


class Description(Struct, frozen=True):
    """What a plug-in says of itself, or the ``reason`` why it cannot be used.

    ``options`` is the JSON Schema of its entry in ``solve.with``, ``extras`` that of what it reads under
    ``machine.extras``, ``example`` a payload in which it works. ``asks``
    says that it may be picked where a request names no solver.
    """

    name: str
    plug_in: Announced
    version: str = ""
    says: str = ""
    needs: str = ""
    options: dict[str, Any] = {}
    extras: dict[str, Any] | None = None
    example: dict[str, Any] | None = None
    asks: bool = False
    reason: str | None = None


def announced(entries: Iterable[EntryPoint]) -> tuple[Announced, ...]:
    """Return what entry points announce, in the order in which names are given away; nothing is imported."""
    ordered = sorted(entries, key=lambda entry: (entry.name, entry.value))
    return tuple([Announced(entry.name, entry.value, origin_of(entry)) for entry in ordered])


def origin_of(entry: EntryPoint | Announced) -> str:
    """Return the distribution of an entry point with its version, or what it points at where there is none."""
    if isinstance(entry, Announced):
        return entry.origin
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value


def stand_in(described: Description) -> type[Mechanism]:
    """Return a class that is read wherever the plug-in is named, whatever its options; it can compute nothing."""
    made: Any = msgspec.defstruct(
        f"{''.join(part.capitalize() for part in re.split(r'[^A-Za-z0-9]', described.name))}PlugIn",
        [],
        bases=(Mechanism,),
        namespace={"__doc__": described.says, "version": described.version, "needs": described.needs},
        frozen=True,
        tag=described.name,
        forbid_unknown_fields=False,
    )
    return cast("type[Mechanism]", made)
