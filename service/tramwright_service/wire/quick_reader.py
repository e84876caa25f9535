"""A quick reader of correction requests, which recognises machines and options that it has read before by their bytes.

What it cannot read, the strict decoder (:mod:`.decode`) reads, or says what is wrong with it. Nothing is refused here,
and nothing is read that would be refused there.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Annotated, Any, TypeVar

import msgspec
from msgspec import UNSET, Meta, Raw, Struct, UnsetType

from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import USUAL, Solve
from tramwright_solvers.model.survey import Survey

from .known_machine import KnownMachine
from .repeats import repeated

T = TypeVar("T")

REMEMBERED = 512
"""Descriptions of machines, and as many options, kept decoded, the latest by their bytes."""
LONGEST = 16_384
"""Bytes of a description that is kept; a longer one is read each time."""

ALWAYS = 3
"""Members that every request has beside those of its readings: `machine`, `survey` and `readings`."""

NOTHING = b"{}"
"""What is read in place of a machine that is known by its bytes."""

Id = Annotated[
    Annotated[str, Meta(max_length=200)] | None,
    Meta(description="Whatever tells this line from the others; given back with it. Absent or null, none."),
]


class RequestParts(Struct, frozen=True, forbid_unknown_fields=True):
    """A request, with what is often the same from one to the next left as bytes; lines of a batch may have an `id`."""

    machine: Raw
    survey: Survey
    solve: Raw = Raw(b"")
    id: Id | UnsetType = UNSET


class _Read(Struct, frozen=True):
    """A machine or options as last read: the bytes, what they are, and their colons and escapes in the request."""

    part: Raw = Raw(b"")
    described: bytes | None = None
    value: Any = None
    colons: int = 0
    escapes: int = 0


class QuickReader:
    """Reads requests for the solvers of one registry."""

    def __init__(self, registry: Registry) -> None:
        options: Any = Solve
        self._split = msgspec.json.Decoder(RequestParts).decode
        self._machine = remembering(_once(Machine))
        self._solve = remembering(_once(options[registry.union()]))
        self._last_machine = self._left_out = _Read()
        self._known = KnownMachine()
        self._last_solve = _Read(value=USUAL)

    def read(self, body: bytes, described: bytes | None = None) -> tuple[str | UnsetType | None, SurveyRequest] | None:
        """Return the `id`, unset where the body has none, and the request; None where it has to be read strictly.

        ``described`` is the machine that the body names instead of describing one. Requests of the same machine and
        options, one after the other, have the same objects for them.
        """
        machine, options = self._last_machine, self._last_solve
        if at := self._known.find(body):  # it need not be read again
            body, machine = body[:at] + NOTHING + body[at + self._known.length :], self._left_out
        try:
            parts = self._split(body)
            if parts.machine != machine.part or described != machine.described:
                own = bytes(parts.machine)
                value = self._machine(own if described is None else described)
                machine = _Read(parts.machine.copy(), described, value, own.count(b":"), own.count(b"\\"))
                self._last_machine, self._left_out = machine, _Read(Raw(NOTHING), None, value)
                self._known.learn(body, own)
            if parts.solve != options.part:
                own = bytes(parts.solve)
                value = self._solve(own) if own else USUAL
                options = _Read(parts.solve.copy(), None, value, own.count(b":") + bool(own), own.count(b"\\"))
                self._last_solve = options
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return None
        # Every member has a colon, and the request as read tells the fewest with which it can be written. Where there
        # are no more, no member was given twice; that needs names without escapes.
        fewest = ALWAYS + machine.colons + options.colons + _members(parts)
        colons = body.count(b":")
        proven = (colons == fewest or colons == fewest + _of_readings(parts)) and (
            b"\\" not in body or body.count(b"\\") == machine.escapes + options.escapes
        )
        if not proven and repeated(body):
            return None
        return parts.id, SurveyRequest(machine.value, parts.survey, options.value)


def remembering(read: Callable[[bytes], T]) -> Callable[[bytes], T]:
    """Return a reader of descriptions that remembers what it read."""
    remembered = lru_cache(REMEMBERED)(read)
    return lambda part: remembered(part) if len(part) <= LONGEST else read(part)


def _once(model: Any) -> Callable[[bytes], Any]:
    """Return a reader of one kind of part in which no member may be given twice."""
    decode = msgspec.json.Decoder(model).decode

    def read(part: bytes) -> Any:
        decoded = decode(part)
        if repeated(part):
            raise msgspec.ValidationError
        return decoded

    return read


def _members(parts: RequestParts) -> int:
    """Count the colons of the readings' coordinates and values, of the survey's own members and of an `id`."""
    survey, count = parts.survey, 3 * len(parts.survey.readings)
    if survey.taken_at is not None:
        count += 1 + survey.taken_at.count(":")
    if survey.bed_temperature is not None:
        count += 1
    if parts.id is not UNSET:
        count += 1 + (parts.id or "").count(":")
    return count


def _of_readings(parts: RequestParts) -> int:
    """Count the colons of set-ups and times."""
    setups = [reading.setup for reading in parts.survey.readings]
    times = [reading.time for reading in parts.survey.readings]
    count = len(setups) - setups.count("") + "".join(setups).count(":")
    if timed := len(times) - times.count(None):
        count += timed + sum(time.count(":") for time in times if isinstance(time, str))
    return count
