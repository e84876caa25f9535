"""Stored surveys: what their correction starts from, and what was answered."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import msgspec
from cachetools import LRUCache
from msgspec import Raw, Struct
from sqlalchemy import Connection, Select, or_, select

from ..wire.problems import NOT_FOUND, RequestError
from ..wire.stored import SurveyList, SurveyRecord, SurveySummary
from . import times
from .machines import CURRENT, Description, described, no_machine, numbered, row_of, verified
from .pages import Number, Page
from .store import Store
from .tables import CORRECTIONS, DESCRIPTIONS, MACHINES, MOVES, SURVEYS
from .together import Together

TOGETHER = 256
"""Most surveys whose correction is begun together."""
REMEMBERED = 1000
"""Machines of which it is remembered what their next survey's correction starts from."""
LONGEST = 2**14
"""Bytes of a description that is remembered."""
PASSES = 17
"""Most passes that a correction learns from: the last one and sixteen `earlier` ones."""

S = SURVEYS.c


class Sent(Struct, frozen=True):
    """The document of a survey, its parts as they are stored."""

    survey: Raw
    solve: Raw
    note: str | None
    taken_at: str | None


class _Made(Struct, frozen=True):
    moves: Raw


class _Readings(Struct, frozen=True):
    readings: Raw


Learnt = tuple[tuple[int, int], ...]
"""Surveys learnt from, the oldest first, each with the entry of its moves."""

_sent = msgspec.json.Decoder(Sent).decode
_made = msgspec.json.Decoder(_Made).decode
_readings = msgspec.json.Decoder(_Readings).decode
_learnt = msgspec.json.Decoder(Learnt).decode


class Repeated(NamedTuple):
    """What is there under an Idempotency-Key."""

    record: SurveyRecord
    sent: str


class Basis(NamedTuple):
    """What the correction of a survey starts from: the description, the passes before, and from which surveys; and what
    is there already under the key that it was sent with."""

    description: Description
    previous: bytes | None = None
    learnt_from: Learnt = ()
    repeated: Repeated | None = None


class Past(NamedTuple):
    """A stored survey with what its correction started from."""

    basis: Basis
    sent: Sent


class Surveys:
    """The surveys of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._together = Together(self._bases, TOGETHER)
        self._latest: LRUCache[str, Basis] = LRUCache(REMEMBERED)

    def assumed(self, machine: str) -> Basis | None:
        """Return what the correction of a machine's next survey started from when it was last read; None where that is
        not remembered. Whoever stores the survey sees whether it :func:`holds`."""
        return self._latest.get(machine)

    async def basis(self, machine: str, key: str | None) -> Basis:
        """Return what the correction of a machine's next survey starts from, or what was stored under its key.

        Raises:
            RequestError: there is no such machine.
        """
        basis = await self._together.ask((machine, key))
        if basis.previous is None and len(basis.description.document) <= LONGEST:
            self._latest[machine] = Basis(basis.description)
        return basis

    async def _bases(self, asked: list[tuple[str, str | None]]) -> list[Basis | Exception]:
        return await self._store.read(lambda connection: [*_bases(connection, asked)])

    async def past(self, machine: str, number: int) -> Past:
        """Return a stored survey with what its correction started from.

        Raises:
            RequestError: there is none.
        """

        def read(connection: Connection) -> Past:
            row = survey_row(connection, machine, number)
            description = Description.of(connection.execute(described(machine, row.version)).one())
            learnt = _learnt(row.learnt_from)
            return Past(Basis(description, _previous(connection, machine, learnt), learnt), _sent(row.document))

        return await self._store.read(read)

    async def get(self, machine: str, number: int) -> SurveyRecord:
        """Return a stored survey and what its correction said.

        Raises:
            RequestError: there is none.
        """
        return await self._store.read(lambda connection: record(survey_row(connection, machine, number)))

    async def page(self, machine: str, page: Page) -> SurveyList:
        """Return a page of a machine's surveys, the latest stored first.

        Raises:
            RequestError: there is no such machine.
        """
        after = page.after(Number)
        moved = select(MOVES.c.number).where(MOVES.c.machine == S.machine, MOVES.c.number == S.number).exists()
        query = (
            _joined(S.number, S.version, S.taken_at, S.received_at, moved.label("moved"))
            .add_columns(*(CORRECTIONS.c[one] for one in SUMMARY))
            .where(S.machine == machine)
            .order_by(S.number.desc())
            .limit(page.size + 1)
        )
        if after is not None:
            query = query.where(S.number < after)

        def read(connection: Connection) -> list[Any]:
            row_of(connection, machine)
            return list(connection.execute(query).all())

        rows, then = page.cut(await self._store.read(read), lambda row: row.number)
        return SurveyList([_summary(row) for row in rows], then)


def _bases(connection: Connection, asked: list[tuple[str, str | None]]) -> Iterator[Basis | Exception]:
    """Yield for each survey that has come what its correction starts from, or why that cannot be told."""
    keys: dict[str, set[str]] = {}
    for machine, key in asked:
        if key is not None:
            keys.setdefault(machine, set()).add(key)
    names = {"names": sorted({machine for machine, _ in asked})}
    rows = {row.machine: row for row in connection.execute(CURRENT, names).all()}
    known = under_keys(connection, keys)
    for machine, key in asked:
        row = rows.get(machine)
        if row is None:
            yield no_machine(machine)
            continue
        try:
            if key is not None and (machine, key) in known:
                yield Basis(Description.of(row), repeated=known[machine, key])
            else:
                yield _learning(connection, row)
        except RequestError as error:  # what is stored of this machine is damaged, and of the others not
            yield error


def under_keys(connection: Connection, keys: dict[str, set[str]]) -> dict[tuple[str, str], Repeated]:
    """Return what is stored under Idempotency-Keys of machines."""
    if not keys:
        return {}
    s, c = SURVEYS.c, CORRECTIONS.c
    wanted = [(s.machine == machine) & s.key.in_(of) for machine, of in keys.items()]
    query = (
        select(*s, c.input, c.learnt_from, c.document.label("answer"))
        .join(CORRECTIONS, (c.machine == s.machine) & (c.number == s.number))
        .where(or_(*wanted))
    )
    rows = connection.execute(query).all()
    return {(row.machine, row.key): Repeated(record(row), row.sent) for row in rows}


def holds(description: Description, row: Any) -> bool:
    """Say whether by the row of a machine the correction of its next survey starts from this description, and from no
    passes."""
    return (row.version, row.content) == (description.version, description.content) and not _learns(row)


def _learns(row: Any) -> bool:
    """Say whether moves were recorded after the latest survey of a machine."""
    return bool(row.moved) and row.judged == row.surveys


def _learning(connection: Connection, row: Any) -> Basis:
    """Return what the next survey of a machine starts from, the passes that lead to it included."""
    description = Description.of(row)
    if not _learns(row):
        return Basis(description)
    # the passes end at the last survey, and each was followed by moves
    own = (DESCRIPTIONS.c.machine == S.machine) & (DESCRIPTIONS.c.version == S.version)
    query = (
        select(S.number, DESCRIPTIONS.c.content, MOVES.c.entry, MOVES.c.adjusters)
        .join(DESCRIPTIONS, own)
        .join(MOVES, (MOVES.c.machine == S.machine) & (MOVES.c.number == S.number))
        .where(S.machine == row.machine, S.number > row.surveys - PASSES)
        .order_by(S.number, MOVES.c.entry)
    )
    last = {found.number: found for found in connection.execute(query).all()}
    learnt = list[tuple[int, int]]()
    for number in range(row.surveys, 0, -1):
        found = last.get(number)
        if found is None or found.content != description.content or not found.adjusters:
            break
        learnt.insert(0, (number, found.entry))
    return Basis(description, _previous(connection, row.machine, tuple(learnt)), tuple(learnt))


SUMMARY = ("as_found", "predicted", "total", "u", "limit", "units")


def _joined(*columns: Any) -> Select[Any]:
    own = (CORRECTIONS.c.machine == S.machine) & (CORRECTIONS.c.number == S.number)
    return select(*columns).join(CORRECTIONS, own)


def survey_row(connection: Connection, machine: str, number: int) -> Any:
    """Return the row of a survey with its correction's."""
    c = CORRECTIONS.c
    query = (
        _joined(*S, c.input, c.learnt_from, c.document.label("answer"), c.digest.label("answer_digest"))
        .join(MACHINES, MACHINES.c.id == S.machine)
        .where(S.machine == machine, S.number == numbered(number), MACHINES.c.retired_at.is_(None))
    )
    row = connection.execute(query).one_or_none()
    if row is None:
        row_of(connection, machine)
        raise RequestError(NOT_FOUND, f"`{machine}` has no survey {number}; its surveys are numbered from 1.")
    verified(row.document, row.digest, machine)
    verified(row.answer, row.answer_digest, machine)
    return row


def _previous(connection: Connection, machine: str, learnt: Learnt) -> bytes | None:
    """Return `previous` of a survey that comes after these, as the JSON of the request; None without any."""
    if not learnt:
        return None
    last = learnt[-1][0]
    query = (
        select(
            S.number, MOVES.c.entry, S.document, S.digest, MOVES.c.document.label("made"), MOVES.c.digest.label("of")
        )
        .join(MOVES, (MOVES.c.machine == S.machine) & (MOVES.c.number == S.number))
        .where(S.machine == machine, S.number >= learnt[0][0], S.number <= last)
    )
    found = {(row.number, row.entry): row for row in connection.execute(query).all()}
    passes = []
    for one in learnt:
        row = found[one]
        survey = _readings(_sent(verified(row.document, row.digest, machine)).survey)
        made = _made(verified(row.made, row.of, machine))
        passes.append({"readings": survey.readings, "moves": made.moves})
    return msgspec.json.encode({**passes[-1], "earlier": passes[:-1]})


def record(row: Any) -> SurveyRecord:
    """Return a survey as it is answered; its documents stand in the place of their types."""
    sent: Any = _sent(row.document)
    answer: Any = Raw(row.answer)
    return SurveyRecord(
        machine=row.machine,
        number=row.number,
        version=row.version,
        taken_at=sent.taken_at,
        received_at=times.shown(row.received_at),
        survey=sent.survey,
        solve=sent.solve,
        note=sent.note,
        input=row.input,
        learnt_from=[number for number, _ in _learnt(row.learnt_from)],
        answer=answer,
    )


def _summary(row: Any) -> SurveySummary:
    return SurveySummary(
        number=row.number,
        version=row.version,
        taken_at=times.shown(row.taken_at),
        received_at=times.shown(row.received_at),
        moved=bool(row.moved),
        **{name: getattr(row, name) for name in SUMMARY},
    )
