"""Stored surveys: what their correction starts from, what was answered, the moves made afterwards, notes."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec
from msgspec import Raw, Struct
from sqlalchemy import Select, func, insert, or_, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from ..wire.problems import NOT_FOUND, RequestError
from ..wire.stored import MovesRecord, NoteList, NoteRecord, SurveyList, SurveyRecord, SurveySummary
from . import times
from .machines import CURRENT, LARGEST, Description, described, no_machine, row_of, verified
from .pages import Page
from .store import Store
from .tables import CORRECTIONS, DESCRIPTIONS, MACHINES, MOVES, NOTES, SURVEYS, digest
from .together import Together

TOGETHER = 256
"""Most surveys whose correction is begun together."""
PASSES = 17
"""Most passes that a correction learns from: the last one and sixteen `earlier` ones."""

S = SURVEYS.c


class Sent(Struct, frozen=True):
    """The document of a survey, its parts as they are stored."""

    survey: Raw
    solve: Raw
    note: str | None
    taken_at: str | None


class _Moves(Struct, frozen=True):
    """The document of recorded moves."""

    moves: Raw
    made_at: str | None
    note: str | None


class _Text(Struct, frozen=True):
    """The document of a note."""

    text: str


class _Readings(Struct, frozen=True):
    readings: Raw


Learnt = tuple[tuple[int, int], ...]
"""Surveys learnt from, the oldest first, each with the entry of its moves."""

_sent = msgspec.json.Decoder(Sent).decode
_moves = msgspec.json.Decoder(_Moves).decode
_text = msgspec.json.Decoder(_Text).decode
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

    async def basis(self, machine: str, key: str | None) -> Basis:
        """Return what the correction of a machine's next survey starts from, or what was stored under its key.

        Raises:
            RequestError: there is no such machine.
        """
        return await self._together.ask((machine, key))

    async def _bases(self, asked: list[tuple[str, str | None]]) -> list[Basis | Exception]:
        names, keys = {machine for machine, _ in asked}, dict[str, set[str]]()
        for machine, key in asked:
            if key is not None:
                keys.setdefault(machine, set()).add(key)
        told = list[Basis | Exception]()
        async with self._store.read() as connection:
            rows = {row.machine: row for row in (await connection.execute(CURRENT, {"names": sorted(names)})).all()}
            known = await under_keys(connection, keys)
            for machine, key in asked:
                row = rows.get(machine)
                if row is None:
                    told.append(no_machine(machine))
                elif key is not None and (machine, key) in known:
                    told.append(Basis(Description.of(row), repeated=known[machine, key]))
                else:
                    told.append(await _learning(connection, row))
        return told

    async def past(self, machine: str, number: int) -> Past:
        """Return a stored survey with what its correction started from.

        Raises:
            RequestError: there is none.
        """
        async with self._store.read() as connection:
            row = await _survey(connection, machine, number)
            description = Description.of((await connection.execute(described(machine, row.version))).one())
            learnt = _learnt(row.learnt_from)
            previous = await _previous(connection, machine, learnt)
            return Past(Basis(description, previous, learnt), _sent(row.document))

    async def get(self, machine: str, number: int) -> SurveyRecord:
        """Return a stored survey and what its correction said.

        Raises:
            RequestError: there is none.
        """
        async with self._store.read() as connection:
            return record(await _survey(connection, machine, number))

    async def page(self, machine: str, page: Page) -> SurveyList:
        """Return a page of a machine's surveys, the latest stored first."""
        after = page.after(int)
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
        async with self._store.read() as connection:
            await row_of(connection, machine)
            rows = list((await connection.execute(query)).all())
        rows, then = page.cut(rows, lambda row: row.number)
        return SurveyList([_summary(row) for row in rows], then)

    async def moves(self, machine: str, number: int) -> MovesRecord:
        """Return the moves really made after a survey.

        Raises:
            RequestError: there is no such survey, or none were recorded.
        """
        own = (MOVES.c.machine == machine) & (MOVES.c.number == number)
        async with self._store.read() as connection:
            await _survey(connection, machine, number)
            row = (await connection.execute(select(MOVES).where(own).order_by(MOVES.c.entry.desc()).limit(1))).first()
        if row is None:
            raise RequestError(NOT_FOUND, f"No moves have been recorded after survey {number} of `{machine}`.")
        return _moves_record(row)

    async def record_moves(self, machine: str, number: int, document: bytes, adjusters: int) -> MovesRecord:
        """Record the moves made after a survey; recorded again, the last record counts, and the others are kept.

        Raises:
            RequestError: there is no such survey.
        """
        own = (MOVES.c.machine == machine) & (MOVES.c.number == number)
        async with self._store.write() as connection:
            row = await row_of(connection, machine, lock=True)
            await _survey(connection, machine, number)
            entry = (await connection.execute(select(func.count()).where(own))).scalar_one() + 1
            stored = {"recorded_at": times.now(), "document": document, "digest": digest(document)}
            query = insert(MOVES).values(machine=machine, number=number, entry=entry, adjusters=adjusters, **stored)
            made = (await connection.execute(query.returning(*MOVES.c))).one()
            if number == row.judged:
                moved = update(MACHINES).where(MACHINES.c.id == machine).values(moved=int(adjusters > 0))
                await connection.execute(moved)
        return _moves_record(made)

    async def write_note(self, machine: str, text: str, survey: int | None) -> NoteRecord:
        """Store a note.

        Raises:
            RequestError: there is no such machine, or no such survey of it.
        """
        document, at = msgspec.json.encode(_Text(text)), times.now()
        async with self._store.write() as connection:
            row = await row_of(connection, machine, lock=True)
            if survey is not None:
                await _survey(connection, machine, survey)
            number = row.notes + 1
            await connection.execute(update(MACHINES).where(MACHINES.c.id == machine).values(notes=number))
            stored = {"written_at": at, "document": document, "digest": digest(document)}
            await connection.execute(insert(NOTES).values(machine=machine, note=number, survey=survey, **stored))
        return NoteRecord(machine, number, survey, text, times.shown(at))

    async def notes(self, machine: str, page: Page) -> NoteList:
        """Return a page of a machine's notes, the latest first."""
        after = page.after(int)
        query = select(NOTES).where(NOTES.c.machine == machine).order_by(NOTES.c.note.desc()).limit(page.size + 1)
        if after is not None:
            query = query.where(NOTES.c.note < after)
        async with self._store.read() as connection:
            await row_of(connection, machine)
            rows = list((await connection.execute(query)).all())
        rows, then = page.cut(rows, lambda row: row.note)
        told = [
            NoteRecord(
                machine,
                row.note,
                row.survey,
                _text(verified(row.document, row.digest, machine)).text,
                times.shown(row.written_at),
            )
            for row in rows
        ]
        return NoteList(told, then)


async def under_keys(connection: AsyncConnection, keys: dict[str, set[str]]) -> dict[tuple[str, str], Repeated]:
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
    rows = (await connection.execute(query)).all()
    return {(row.machine, row.key): Repeated(record(row), row.sent) for row in rows}


async def _learning(connection: AsyncConnection, row: Any) -> Basis:
    """Return what the next survey of a machine starts from, the passes that lead to it included."""
    description = Description.of(row)
    if not row.moved or row.judged != row.surveys:
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
    last = {found.number: found for found in (await connection.execute(query)).all()}
    learnt = list[tuple[int, int]]()
    for number in range(row.surveys, 0, -1):
        found = last.get(number)
        if found is None or found.content != description.content or not found.adjusters:
            break
        learnt.insert(0, (number, found.entry))
    return Basis(description, await _previous(connection, row.machine, tuple(learnt)), tuple(learnt))


SUMMARY = ("as_found", "predicted", "total", "u", "limit", "units")


def _joined(*columns: Any) -> Select[Any]:
    own = (CORRECTIONS.c.machine == S.machine) & (CORRECTIONS.c.number == S.number)
    return select(*columns).join(CORRECTIONS, own)


async def _survey(connection: AsyncConnection, machine: str, number: int) -> Any:
    """Return the row of a survey with its correction's."""
    c = CORRECTIONS.c
    query = (
        _joined(*S, c.input, c.learnt_from, c.document.label("answer"), c.digest.label("answer_digest"))
        .join(MACHINES, MACHINES.c.id == S.machine)
        .where(S.machine == machine, S.number == min(number, LARGEST), MACHINES.c.retired_at.is_(None))
    )
    row = (await connection.execute(query)).one_or_none()
    if row is None:
        await row_of(connection, machine)
        raise RequestError(NOT_FOUND, f"`{machine}` has no survey {number}; its surveys are numbered from 1.")
    verified(row.document, row.digest, machine)
    verified(row.answer, row.answer_digest, machine)
    return row


async def _previous(connection: AsyncConnection, machine: str, learnt: Learnt) -> bytes | None:
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
    found = {(row.number, row.entry): row for row in (await connection.execute(query)).all()}
    passes = []
    for one in learnt:
        row = found[one]
        survey = _readings(_sent(verified(row.document, row.digest, machine)).survey)
        made = _moves(verified(row.made, row.of, machine))
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


def _moves_record(row: Any) -> MovesRecord:
    made: Any = _moves(verified(row.document, row.digest, row.machine))
    return MovesRecord(
        machine=row.machine,
        number=row.number,
        entry=row.entry,
        recorded_at=times.shown(row.recorded_at),
        moves=made.moves,
        made_at=made.made_at,
        note=made.note,
    )
