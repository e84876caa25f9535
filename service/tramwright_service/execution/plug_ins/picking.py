"""Which plug-ins suit a machine, where a request names no solver.

Their ``suits`` runs in a process of its own, which no request keeps busy. One that ends that process, or is slow once,
is not asked again: a person who asked for none of them must not wait for it.
"""

from __future__ import annotations

from threading import Lock

import msgspec
import structlog
from msgspec.structs import replace

from tramwright_solvers.mechanisms.plug_ins import sentences
from tramwright_solvers.model.errors import PlugInFault
from tramwright_solvers.model.machine import Machine, content_key

from .messages import SUITS, Ask, First
from .process import PlugInProcess

SECONDS = 0.25
"""How long one ``suits`` may take."""
REMEMBERED = 4096
"""Machines of which it is known at the most; then it is forgotten of all."""

_names = msgspec.msgpack.Decoder(tuple[str, ...]).decode


class Picker:
    """Asks each machine's question once; safe to share between threads."""

    def __init__(self, first: First) -> None:
        self._first = replace(first, seconds=SECONDS, role="suits")
        self._known: dict[bytes, tuple[str, ...]] = {}
        self._lock = Lock()
        self._process: PlugInProcess | None = None

    @property
    def asks(self) -> bool:
        """Whether there is anybody to be asked."""
        return bool(self._first.plug_ins)

    def known(self, machine: Machine) -> tuple[str, ...] | None:
        """Return what is known without asking."""
        return self._known.get(content_key(machine)) if self.asks else ()

    def suited(self, machine: Machine) -> tuple[str, ...]:
        """Return the names of the plug-ins that suit a machine."""
        key = content_key(machine)
        with self._lock:
            if len(self._known) >= REMEMBERED:
                self._known = {}
            while self.asks and key not in self._known:
                if self._process is None:
                    self._process = PlugInProcess(self._first)
                try:
                    self._known[key] = _names(self._process.ask(Ask(SUITS, key)).body)
                except PlugInFault as fault:
                    self._process = None
                    self._strike(fault)
            return self._known.get(key, ())

    def _strike(self, fault: PlugInFault) -> None:
        """Ask the one at fault no more."""
        left = tuple([one for one in self._first.plug_ins if one.name != fault.plug_in])
        structlog.get_logger("plug-ins").error(
            "not picked any more", plug_in=fault.plug_in, says=sentences.suits_no_more(SECONDS), fault=fault.detail
        )
        self._first = replace(self._first, plug_ins=left if len(left) < len(self._first.plug_ins) else ())

    def close(self) -> None:
        """End the process."""
        with self._lock:
            if self._process is not None:
                self._process.kill()
                self._process = None
