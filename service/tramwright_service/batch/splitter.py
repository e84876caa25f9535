"""A stream of lines cut into chunks, each of which can be answered anywhere, on its own, in any order.

A line may name a machine that an earlier line described. Who answers a chunk does not see the earlier ones, so the
description travels with the chunk: the cutter reads of every line just enough to know its machine.
"""

from __future__ import annotations

from collections import OrderedDict
from hashlib import blake2b
from typing import Literal

import msgspec
from msgspec import Raw, Struct, field
from msgspec.structs import replace

from ..wire.known_machine import KnownMachine
from ..wire.media_types import MARK

Detail = Literal["verdict", "moves", "full"]
DETAILS: tuple[Detail, ...] = ("verdict", "moves", "full")

NAMES_KEPT = 10_000
NAMES_BYTES = 32 * 2**20
"""Machines a stream can refer to by name: the latest so many, and no more than so many bytes of their descriptions."""


class Chunk(Struct, frozen=True, omit_defaults=True):
    """Lines to answer, with every machine description that they refer to.

    ``first`` is the number of the first line, counted from one. ``named`` gives, for a line (counted from zero here)
    that names its machine, the description's place in ``machines``; ``unknown`` has the names that no earlier line
    described. The lines ``too_long`` had more than ``most`` bytes and come without content.
    """

    first: int
    detail: Detail
    lines: list[bytes]
    machines: list[bytes] = field(default_factory=list)
    named: dict[int, int] = field(default_factory=dict)
    too_long: list[int] = field(default_factory=list)
    most: int = 0
    unknown: dict[int, str] = field(default_factory=dict)

    def knowing(self, described: dict[str, bytes]) -> Chunk:
        """Return the same lines with descriptions of machines that no earlier line described."""
        found = {at: described[name] for at, name in self.unknown.items() if name in described}
        machines, named = distinct({at: self.machines[n] for at, n in self.named.items()} | found)
        return replace(self, machines=machines, named=named, unknown={})

    def cut(self, count: int) -> list[Chunk]:
        """Return the same lines as about so many chunks."""
        size = -(-len(self.lines) // count)
        return [self.part(begin, begin + size) for begin in range(0, len(self.lines), size)]

    def last(self, count: int) -> Chunk:
        """Return the last so many lines, as a chunk of their own."""
        return self.part(len(self.lines) - count, len(self.lines))

    def part(self, begin: int, end: int) -> Chunk:
        """Return the lines from one place to another as a chunk of their own."""
        machines, named = distinct({at - begin: self.machines[n] for at, n in self.named.items() if begin <= at < end})
        return replace(
            self,
            first=self.first + begin,
            lines=self.lines[begin:end],
            machines=machines,
            named=named,
            too_long=[at - begin for at in self.too_long if begin <= at < end],
            unknown={at - begin: name for at, name in self.unknown.items() if begin <= at < end},
        )

    def digest(self, versions: str) -> str:
        """Return a name for the answer to this chunk: the same exactly when the answer is."""
        return blake2b(msgspec.msgpack.encode((self, versions)), digest_size=16).hexdigest()


def distinct(machines: dict[int, bytes]) -> tuple[list[bytes], dict[int, int]]:
    """Return the machines that lines name, each once, and for each of these lines the place of its machine."""
    places: dict[bytes, int] = {}
    named = {at: places.setdefault(machine, len(places)) for at, machine in machines.items()}
    return list(places), named


class _Glance(Struct):
    """What the cutter reads of a line; everything else is skipped."""

    machine: Raw = Raw(b"")


class _Called(Struct):
    """What the cutter reads of a machine."""

    id: str = "machine"


_glance = msgspec.json.Decoder(_Glance)
_called = msgspec.json.Decoder(_Called)
_text = msgspec.json.Decoder(str)


class Names:
    """Machines described so far in a stream; the least recently used are dropped first."""

    def __init__(self, kept: int = NAMES_KEPT, most_bytes: int = NAMES_BYTES) -> None:
        self._kept = kept
        self._most = most_bytes
        self._held = 0
        self._machines: OrderedDict[str, bytes] = OrderedDict()
        self._latest = b""

    def learn(self, machine: bytes) -> None:
        """Store the description of a machine."""
        if machine == self._latest:
            return
        try:
            name = _called.decode(machine).id
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return  # whoever answers the line says what is wrong with it
        self._latest = machine
        self._held += len(machine) - len(self._machines.pop(name, b""))
        self._machines[name] = machine
        while len(self._machines) > self._kept or (self._held > self._most and len(self._machines) > 1):
            _, oldest = self._machines.popitem(last=False)
            self._held -= len(oldest)

    def recall(self, name: str) -> bytes | None:
        """Return the description of a machine by its name."""
        if (found := self._machines.get(name)) is not None:
            self._machines.move_to_end(name)
        return found


class Splitter:
    """Cuts bytes as they come into chunks of whole lines.

    A line longer than ``most`` bytes is dropped as it comes, so that memory stays bounded whatever is sent.
    """

    def __init__(self, detail: Detail, most: int) -> None:
        self._detail = detail
        self._most = most
        self._names = Names()
        self._number = 1
        self._rest = bytearray()
        self._dropping = False
        self._lines: list[bytes] = []
        self._named: dict[int, bytes] = {}
        self._too_long: list[int] = []
        self._unknown: dict[int, str] = {}
        self._known = KnownMachine()
        self.waiting_bytes = 0

    @property
    def waiting(self) -> int:
        """How many whole lines have not been cut off yet."""
        return len(self._lines)

    def feed(self, data: bytes) -> None:
        """Take in more of the stream."""
        *lines, rest = data.split(b"\n")
        if lines:
            if self._rest:
                self._keep(lines[0])
                lines[0] = self._begun()
            for line in lines:
                self._add(line)
                self._dropping = False
        self._keep(rest)

    def end(self) -> None:
        """Take what is left as the last line: its newline may be missing."""
        if self._rest or self._dropping:
            self._add(self._begun())
            self._dropping = False

    def cut(self, most_lines: int) -> Chunk | None:
        """Return the next lines as a chunk, no more than ``most_lines``; None where there are none."""
        if not self._lines:
            return None
        lines, self._lines = self._lines[:most_lines], self._lines[most_lines:]
        machines, named = distinct({at: machine for at, machine in self._named.items() if at < most_lines})
        chunk = Chunk(
            first=self._number,
            detail=self._detail,
            lines=lines,
            machines=machines,
            named=named,
            too_long=[at for at in self._too_long if at < most_lines],
            most=self._most,
            unknown={at: name for at, name in self._unknown.items() if at < most_lines},
        )
        cut = len(lines)
        self._unknown = {at - cut: name for at, name in self._unknown.items() if at >= cut}
        self._number += cut
        self._named = {at - cut: machine for at, machine in self._named.items() if at >= cut}
        self._too_long = [at - cut for at in self._too_long if at >= cut]
        self.waiting_bytes -= sum(map(len, lines))
        return chunk

    def _keep(self, part: bytes) -> None:
        """Hold part of a line until its end comes."""
        if self._dropping:
            return
        self._rest += part
        if len(self._rest) > self._most:
            self._rest.clear()
            self._dropping = True

    def _begun(self) -> bytes:
        """Return the stored part of a line and clear it."""
        line = bytes(self._rest)
        self._rest.clear()
        return line

    def _add(self, line: bytes) -> None:
        at = len(self._lines)
        if at == 0 and self._number == 1:
            line = line.removeprefix(MARK)
        if self._dropping or len(line) > self._most:
            self._too_long.append(at)
            self._lines.append(b"")
            return
        self._lines.append(line)
        self.waiting_bytes += len(line)
        if self._known.find(line):
            return  # the latest description again, as in most of a farm's lines
        try:
            machine = bytes(_glance.decode(line).machine)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return  # whoever answers the line says what is wrong with it
        if machine.startswith(b"{"):
            self._names.learn(machine)
            self._known.learn(line, machine)
        elif machine.startswith(b'"'):
            self._look_up(at, machine)

    def _look_up(self, at: int, quoted: bytes) -> None:
        """Find the machine that a line names, written as a JSON string."""
        try:
            name = _text.decode(quoted)
        except (msgspec.MsgspecError, UnicodeDecodeError):
            return
        if (described := self._names.recall(name)) is not None:
            self._named[at] = described
        else:
            self._unknown[at] = name
