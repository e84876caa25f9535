"""Surveys written to the store: those that wait for each other's transaction are written in one.

A commit has to reach the disk, which takes longer than a correction; a hundred surveys in one commit take hardly longer
than one. A survey is acknowledged when its commit has ended.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, NamedTuple

import msgspec
import structlog
from msgspec import Struct
from sqlalchemy import Connection, bindparam, insert, select, update

from ..wire.events import SurveyStored
from ..wire.problems import INVALID, RequestError
from ..wire.stored import SurveyRecord, Visit
from . import times
from .drift import Memory, Remembered, renewed, warned
from .events import News, standing, tell
from .machines import Description, no_machine, stale_at
from .rows import Rows
from .standing import is_stale, word
from .store import Store, unavailable
from .surveys import SUMMARY, Learnt, Repeated, holds, record, under_keys
from .tables import CORRECTIONS, MACHINES, SURVEYS, TERMS, digest
from .together import Together
from .tracks import Surveyed

TOGETHER = 256
"""Most surveys in one transaction."""
QUICK = 128
"""Most surveys that are written in one turn of the event loop, if the latest of their machines are in memory."""


class Posting(NamedTuple):
    """A survey to store with its correction; ``key`` tells a repetition, ``sent`` is the digest of what was sent.

    Where it was only ``assumed`` what its correction starts from, it is stored if that is so.
    """

    description: Description
    taken_at: int | None
    key: str | None
    sent: str
    document: bytes
    input: str
    learnt_from: Learnt
    answer: bytes
    terms: bytes
    assumed: bool = False


class Outdated(Exception):
    """What the correction of a survey was assumed to start from is no longer so; nothing was stored."""


class _Total(Struct, frozen=True):
    total: float
    u: float


class _Verdict(Struct, frozen=True):
    as_found: str
    predicted: str
    limit: float


class _Advice(Struct, frozen=True):
    do: Any


class _Move(Struct, frozen=True):
    adjuster: str


class _Answer(Struct, frozen=True):
    """What is read of an answer into columns."""

    units: str
    as_found: _Total
    verdict: _Verdict
    advice: _Advice
    moves: list[_Move]
    solver_versions: dict[str, str]


_answer = msgspec.json.Decoder(_Answer).decode
_encode = msgspec.json.Encoder().encode
_HELD = (
    select(MACHINES)
    .where(MACHINES.c.id.in_(bindparam("names", expanding=True)), MACHINES.c.retired_at.is_(None))
    .order_by(MACHINES.c.id)  # always in one order, so that two processes do not wait for each other
    .with_for_update()
)
_SURVEYS, _CORRECTIONS, _TERMS = Rows(insert(SURVEYS)), Rows(insert(CORRECTIONS)), Rows(insert(TERMS))
CHANGED = (
    "surveys", "standing", "place", "judged", "judged_content", "taken_at", "stale_at", "stale_told", "total", "u",
    "limit", "units", "visit", "moved", "outlook",
)  # fmt: skip
"""Columns of a machine that its surveys change."""
_CHANGED = Rows(
    update(MACHINES)
    .where(MACHINES.c.id == bindparam("machine"))
    .values({column: bindparam(f"to_{column}") for column in CHANGED})
)


class Poster:
    """Writes surveys; one for each process that serves."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._memory = Memory()
        self._together = Together(self._write, TOGETHER)
        self.close = self._together.close
        self.turn = self._together.turn

    async def post(self, posting: Posting) -> SurveyRecord:
        """Store a survey and return it, once it is on the disk; a repetition gets what was stored the first time.

        Raises:
            Outdated: it is to be corrected anew.
            RequestError: the machine has gone, the key belongs to another survey, or the store cannot be written.
        """
        return await self._together.ask(posting)

    def knows(self, machine: str) -> bool:
        """Say whether the latest surveys of a machine are in memory: its pages were used lately."""
        return machine in self._memory

    async def _write(self, postings: list[Posting]) -> list[SurveyRecord | Exception]:
        done = None

        def work(connection: Connection) -> tuple[list[SurveyRecord | Exception], dict[str, Remembered]]:
            nonlocal done
            done = _stored(connection, postings, self._memory)
            return done

        try:
            quick = len(postings) <= QUICK and all(self.knows(one.description.machine) for one in postings)
            told, followed = await self._store.write(work, quick=quick)
        except Exception as error:
            if done is None or isinstance(error, RequestError):
                raise
            structlog.get_logger("store").error("commit failed", exc_info=error)
            raise unavailable() from error  # it may have been committed: nothing is to be tried again
        self._memory.keep(followed)
        return told


def _stored(
    connection: Connection, postings: list[Posting], memory: Memory
) -> tuple[list[SurveyRecord | Exception], dict[str, Remembered]]:
    """Store surveys inside a transaction; return of each what was stored, or why not, and what to remember of their
    machines once it is committed."""
    names = sorted({posting.description.machine for posting in postings})
    held = {row.id: row for row in connection.execute(_HELD, {"names": names})}
    machines = {name: SimpleNamespace(**row._mapping) for name, row in held.items()}
    keys: dict[str, set[str]] = {}
    for posting in postings:
        if posting.key is not None:
            keys.setdefault(posting.description.machine, set()).add(posting.key)
    known = under_keys(connection, keys)
    at, told, news = times.now(), list[SurveyRecord | Exception](), list[News]()
    surveys, corrections, terms = list[dict[str, Any]](), list[dict[str, Any]](), list[dict[str, Any]]()
    new = dict[str, list[Surveyed]]()
    for posting in postings:
        name = posting.description.machine
        machine = machines.get(name)
        if machine is None:
            told.append(no_machine(name))
            continue
        if posting.assumed and not holds(posting.description, machine):
            told.append(Outdated())
            continue
        if posting.key is not None and (before := known.get((name, posting.key))):
            told.append(before.record if before.sent == posting.sent else other_survey(posting.key))
            continue
        machine.surveys += 1
        survey, correction, answer = _rows(posting, machine.surveys, at)
        surveys.append(survey)
        corrections.append(correction)
        own = {"machine": name, "number": machine.surveys}
        terms.append({**own, "document": posting.terms, "digest": digest(posting.terms)})
        if machine.taken_at is None or survey["taken_at"] >= machine.taken_at:
            machine.__dict__.update(_judged(posting, survey, answer, machine, at))
        row = SimpleNamespace(**{**survey, **correction, "document": posting.document, "answer": posting.answer})
        new.setdefault(name, []).append(Surveyed.of(row, posting.terms))
        stored = record(row)
        told.append(stored)
        news.append(_news(survey, correction, stored.received_at))
        if posting.key is not None:
            known[name, posting.key] = Repeated(stored, posting.sent)
    if not new:
        return told, {}
    _SURVEYS.write(connection, surveys)
    _CORRECTIONS.write(connection, corrections)
    _TERMS.write(connection, terms)
    followed = memory.followed(connection, held, new)
    warnings = list[News]()
    for name, kept in renewed(followed).items():
        machines[name].outlook = _encode(kept)
        warnings += warned(held[name], kept)
    rows = [{"machine": name, **{f"to_{one}": getattr(machines[name], one) for one in CHANGED}} for name in sorted(new)]
    _CHANGED.write(connection, rows)
    changed = [machines[name] for name in sorted(new) if _word(machines[name]) != _word(held[name])]
    tell(connection, at, [*news, *(standing(machine, at) for machine in changed), *warnings])
    return told, followed


def _word(row: Any) -> str:
    """Return the standing that was, or will be, told of a row."""
    return word(row.standing, stale=bool(row.stale_told))


def _rows(posting: Posting, number: int, at: int) -> tuple[dict[str, Any], dict[str, Any], _Answer]:
    """Return the rows of a survey and of its correction."""
    answer = _answer(posting.answer)
    own = {"machine": posting.description.machine, "number": number}
    survey = {
        **own,
        "version": posting.description.version,
        "taken_at": at if posting.taken_at is None else min(posting.taken_at, at),
        "received_at": at,
        "key": posting.key,
        "sent": posting.sent,
        "document": posting.document,
        "digest": digest(posting.document),
    }
    correction = {
        **own,
        "input": posting.input,
        "solver_versions": _encode(answer.solver_versions),
        "learnt_from": _encode(posting.learnt_from),
        "as_found": answer.verdict.as_found,
        "predicted": answer.verdict.predicted,
        "total": answer.as_found.total,
        "u": answer.as_found.u,
        "limit": answer.verdict.limit,
        "units": answer.units,
        "document": posting.answer,
        "digest": digest(posting.answer),
    }
    return survey, correction, answer


def _news(survey: dict[str, Any], correction: dict[str, Any], received_at: str) -> News:
    """Return what is told of a survey."""
    data = SurveyStored(
        taken_at=times.shown(survey["taken_at"]),
        received_at=received_at,
        **{name: survey[name] for name in ("machine", "number", "version")},
        **{name: correction[name] for name in SUMMARY},
    )
    return News("tramwright.survey.stored", data.machine, f"surveys/{data.number}", data)


def _judged(posting: Posting, survey: dict[str, Any], answer: _Answer, machine: Any, at: int) -> dict[str, Any]:
    """Return how a machine stands by its latest survey."""
    do, adjusters = answer.advice.do, list(dict.fromkeys(move.adjuster for move in answer.moves))
    visit = Visit(do, adjusters, len(adjusters)) if do == "move" else Visit(do, [], 0)
    standing, content = answer.verdict.as_found, posting.description.content
    counts_until = stale_at(standing, survey["taken_at"], machine.check_every, at, same=content == machine.content)
    return {
        "standing": standing,
        "place": -answer.as_found.total / answer.verdict.limit,
        "judged": survey["number"],
        "judged_content": content,
        "taken_at": survey["taken_at"],
        "stale_at": counts_until,
        "stale_told": int(is_stale(counts_until, at)),
        "total": answer.as_found.total,
        "u": answer.as_found.u,
        "limit": answer.verdict.limit,
        "units": answer.units,
        "visit": _encode(visit),
        "moved": 0,
    }


def other_survey(key: str) -> RequestError:
    """Return the refusal of a key under which another survey was stored."""
    return RequestError(
        INVALID,
        f"Another survey was sent with the Idempotency-Key `{key}`; send this one with a key of its own. A key is kept "
        "for ever, so that a repetition is never stored twice.",
    )
