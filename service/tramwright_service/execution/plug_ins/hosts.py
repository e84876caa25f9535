"""The plug-ins of an installation: found and tested in processes of their own, and answered by them.

The process that serves never imports one. It knows what each says of itself, and hands over as it was sent whatever
names a plug-in or is of a machine that one suits. Each set of plug-ins that is asked for together has its own
processes, so the requests of one do not wait for another's.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from threading import Lock
from typing import Any

import msgspec
from litestar.types import Receive
from msgspec.structs import replace

from tramwright_solvers.correction.api import check_machine
from tramwright_solvers.mechanisms.plug_ins.described import Announced, Description
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.errors import PlugInFault
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve

from ...settings import Settings
from ...wire.problems import BUSY, RequestError
from ...wire.requests import LastFault
from .messages import DESCRIBE, LINE, SLACK, Ask, First
from .picking import Picker
from .pool import Pool
from .process import PlugInProcess

MOST_SETS = 16
"""Sets of plug-ins that have processes at the same time; those of the set that was asked for longest ago make room."""
AT_ONCE = 4
"""Plug-ins that are tested at the same time."""

_described = msgspec.msgpack.Decoder(Description).decode


class PlugIns:
    """What answers for the guests of a registry."""

    def __init__(self, registry: Registry, settings: Settings, begun: Iterable[PlugInProcess] = ()) -> None:
        self.registry = registry
        self._settings = settings
        self._pools: OrderedDict[frozenset[str], Pool] = OrderedDict()
        self._ended, self._noting = dict[str, LastFault](), Lock()
        for process in begun:
            names = frozenset(one.name for one in process.first.plug_ins)
            self._pools[names] = Pool(process.first, [process], self._note)
        self.asking = self._first([name for name, one in registry.guests.items() if one.asks])
        self._picker = Picker(self.asking)

    @classmethod
    def found(cls, plug_ins: Sequence[Announced], registry: Registry, settings: Settings) -> PlugIns:
        """Find and test what is announced, some at a time; who fails is listed with the reason.

        This takes as long as the slowest of them may, so it is done before anything is served.
        """
        if not plug_ins:
            return cls(registry, settings)
        with ThreadPoolExecutor(AT_ONCE) as threads:
            tested = list(threads.map(lambda one: test(one, settings), plug_ins))
        known = registry.with_guests([described for described, _ in tested])
        begun = list[PlugInProcess]()
        for described, process in tested:
            # what others read under `machine.extras` was not known to it; then a new process is started when asked
            strange = any(one.extras is not None for one in known.guests.values() if one is not described)
            if process is not None and known.guests.get(described.name) is described and not strange:
                begun.append(process)
            elif process is not None:
                process.kill()
        return cls(known, settings, begun)

    def _first(self, names: Iterable[str]) -> First:
        own = sorted(names)
        others = [one for name, one in self.registry.guests.items() if name not in own]
        return replace(first(self._settings, [self.registry.guests[name].plug_in for name in own]), others=others)

    async def of(self, named: Sequence[Mechanism], machine: Machine) -> tuple[str, ...]:
        """Return the plug-ins that a request is for: those it names; those that suit, where it names no solver."""
        if named:
            return self.registry.guests_among(named)
        if (known := self._picker.known(machine)) is not None:
            return known
        return await asyncio.to_thread(self.suited, machine)

    def suited(self, machine: Machine) -> tuple[str, ...]:
        """Return the plug-ins that suit a machine; waits for them where that is not known yet."""
        return self._picker.suited(machine)

    def check(self, machine: Machine, solve: Solve[Any]) -> None:
        """Refuse a machine of which no survey could be corrected; waits for plug-ins that may suit it.

        Raises:
            Refused, Impossible: as :func:`check_machine`; what plug-ins would refuse is not asked.
        """
        named = solve.with_
        theirs = self.registry.guests_among(named) if named else self.suited(machine)
        check_machine(machine, solve, self.registry, alone=bool(theirs))

    async def ask(self, names: Sequence[str], ask: Ask, named: Sequence[Mechanism], receive: Receive) -> bytes:
        """Have plug-ins answer a request that names these solvers.

        Raises:
            RequestError: all places are taken, or the plug-ins are on hold; may be tried again.
            Told, PlugInFault, OutOfTime: as :meth:`Pool.ask`.
        """
        return await self._pool(frozenset(names)).ask(ask, [one.name() for one in named], receive)

    async def line(self, names: Sequence[str], named: Sequence[str], chunk: bytes) -> bytes:
        """Have plug-ins answer a line of a batch, which names these solvers.

        Raises:
            RequestError, Told, PlugInFault: as for :meth:`ask`.
        """
        return await self._pool(frozenset(names)).line(Ask(LINE, chunk), named)

    def _note(self, fault: PlugInFault) -> None:
        """Keep what is told of a plug-in over which a process ended; this runs on any thread."""
        with self._noting:
            known = self._ended.get(fault.plug_in)
            times = 1 if known is None else known.times + 1
            self._ended[fault.plug_in] = LastFault(fault.detail, datetime.now(UTC), times, on_hold=False)

    def last_fault(self, name: str) -> LastFault | None:
        """Return what is known of the faults of a plug-in over which processes of this service ended."""
        known = self._ended.get(name)
        held = known is not None and any(pool.on_hold for names, pool in self._pools.items() if name in names)
        return replace(known, on_hold=True) if known is not None and held else known

    def _pool(self, names: frozenset[str]) -> Pool:
        pool = self._pools.pop(names, None)
        if pool is None:
            if len(self._pools) >= MOST_SETS:
                self._make_room()
            pool = Pool(self._first(names), (), self._note)
        self._pools[names] = pool
        return pool

    def _make_room(self) -> None:
        for names, pool in self._pools.items():
            if not pool.under_way:
                asyncio.get_running_loop().run_in_executor(None, self._pools.pop(names).close)
                return
        raise RequestError(
            BUSY, "Too many different plug-ins are asked for at once; try again later.", headers={"Retry-After": "5"}
        )

    def close(self) -> None:
        """End every process."""
        self._picker.close()
        while self._pools:
            self._pools.popitem()[1].close()


def first(settings: Settings, plug_ins: Sequence[Announced]) -> First:
    """Return what a process is told first."""
    return First(plug_ins, settings, settings.plug_in_seconds)


def test(plug_in: Announced, settings: Settings) -> tuple[Description, PlugInProcess | None]:
    """Load a plug-in in a process of its own and have it tested there; return the process if it is fit for use."""
    process = PlugInProcess(first(settings, [plug_in]))
    try:
        # its clock runs twice, for loading and for the example; this is for who has put it out of order
        described = _described(process.ask(Ask(DESCRIBE, b""), within=2.0 * settings.plug_in_seconds + SLACK).body)
    except PlugInFault as fault:
        return Description(plug_in.name, plug_in, reason=fault.detail), None
    if described.reason is not None:
        process.kill()
        return described, None
    process.first = replace(process.first, plug_ins=[described.plug_in])
    return described, process
