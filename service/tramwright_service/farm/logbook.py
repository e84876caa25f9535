"""What people did and saw: the moves really made after a survey, and notes. What is written is only ever added to."""

from __future__ import annotations

from typing import Any

import msgspec
from msgspec import Raw, Struct
from sqlalchemy import Connection, func, insert, select, update

from ..wire.problems import NOT_FOUND, RequestError
from ..wire.stored import MovesRecord, NoteList, NoteRecord
from . import times
from .drift import renew
from .events import News, tell
from .machines import row_of, verified
from .pages import Number, Page
from .store import Store
from .surveys import survey_row
from .tables import MACHINES, MOVES, NOTES, digest


class _Moves(Struct, frozen=True):
    """The document of recorded moves."""

    moves: Raw
    made_at: str | None
    note: str | None


class _Text(Struct, frozen=True):
    """The document of a note."""

    text: str


_moves = msgspec.json.Decoder(_Moves).decode
_text = msgspec.json.Decoder(_Text).decode


class Logbook:
    """The moves and notes of one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def moves(self, machine: str, number: int) -> MovesRecord:
        """Return the moves really made after a survey.

        Raises:
            RequestError: there is no such survey, or none were recorded.
        """
        own = (MOVES.c.machine == machine) & (MOVES.c.number == number)

        def read(connection: Connection) -> Any:
            survey_row(connection, machine, number)
            return connection.execute(select(MOVES).where(own).order_by(MOVES.c.entry.desc()).limit(1)).first()

        row = await self._store.read(read)
        if row is None:
            raise RequestError(NOT_FOUND, f"No moves have been recorded after survey {number} of `{machine}`.")
        return _moves_record(row)

    async def record_moves(self, machine: str, number: int, document: bytes, adjusters: int) -> MovesRecord:
        """Record the moves made after a survey; recorded again, the last record counts, and the others are kept.

        Raises:
            RequestError: there is no such survey.
        """
        own = (MOVES.c.machine == machine) & (MOVES.c.number == number)

        def write(connection: Connection) -> MovesRecord:
            row = row_of(connection, machine, lock=True)
            survey_row(connection, machine, number)
            entry = (connection.execute(select(func.max(MOVES.c.entry)).where(own)).scalar() or 0) + 1
            at = times.now()
            stored = {"recorded_at": at, "document": document, "digest": digest(document)}
            query = insert(MOVES).values(machine=machine, number=number, entry=entry, adjusters=adjusters, **stored)
            if number == row.judged:
                moved = update(MACHINES).where(MACHINES.c.id == machine).values(moved=int(adjusters > 0))
                connection.execute(moved)
            made = _moves_record(connection.execute(query.returning(*MOVES.c)).one())
            news = [News("tramwright.moves.recorded", machine, f"surveys/{number}/moves", made)]
            tell(connection, at, [*news, *renew(connection, row)])
            return made

        return await self._store.write(write)

    async def write_note(self, machine: str, text: str, survey: int | None) -> NoteRecord:
        """Store a note.

        Raises:
            RequestError: there is no such machine, or no such survey of it.
        """
        document, at = msgspec.json.encode(_Text(text)), times.now()

        def write(connection: Connection) -> NoteRecord:
            number: int = row_of(connection, machine, lock=True).notes + 1
            if survey is not None:
                survey_row(connection, machine, survey)
            connection.execute(update(MACHINES).where(MACHINES.c.id == machine).values(notes=number))
            stored = {"written_at": at, "document": document, "digest": digest(document)}
            connection.execute(insert(NOTES).values(machine=machine, note=number, survey=survey, **stored))
            written = NoteRecord(machine, number, survey, text, times.shown(at))
            tell(connection, at, [News("tramwright.note.written", machine, f"notes/{number}", written)])
            return written

        return await self._store.write(write)

    async def notes(self, machine: str, page: Page) -> NoteList:
        """Return a page of a machine's notes, the latest first.

        Raises:
            RequestError: there is no such machine.
        """
        after = page.after(Number)
        query = select(NOTES).where(NOTES.c.machine == machine).order_by(NOTES.c.note.desc()).limit(page.size + 1)
        if after is not None:
            query = query.where(NOTES.c.note < after)

        def read(connection: Connection) -> list[Any]:
            row_of(connection, machine)
            return list(connection.execute(query).all())

        rows, then = page.cut(await self._store.read(read), lambda row: row.note)
        return NoteList([_note_record(row) for row in rows], then)


def _note_record(row: Any) -> NoteRecord:
    text = _text(verified(row.document, row.digest, row.machine)).text
    return NoteRecord(row.machine, row.note, row.survey, text, times.shown(row.written_at))


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
