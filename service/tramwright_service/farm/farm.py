"""The farm as the service works with it: one store, what is kept in it, and who solves."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import msgspec
from litestar.types import Receive
from msgspec import Struct
from prometheus_client import Metric

from tramwright_solvers.model.errors import Fault, Impossible, Refused
from tramwright_solvers.model.machine import Machine

from ..execution.corrections import Corrections
from ..execution.metrics import Metrics
from ..settings import Settings, networks_of
from ..wire import problems
from ..wire.problems import RequestError
from ..wire.stored import MovesEntry, MovesRecord, SurveyEntry, SurveyRecord
from . import times
from .batches import Batches
from .deliveries import Deliveries
from .feed import Feed
from .fleet import Standings
from .history import Histories
from .keys import Keys
from .logbook import Logbook
from .machines import Machines, parts_of
from .measured import measured
from .posting import Outdated, Poster, Posting, other_survey
from .schema import check
from .solving import Solving
from .store import store_of
from .surveys import Basis, Surveys
from .tables import digest
from .targets import Targets
from .upkeep import Upkeep
from .webhooks import Webhooks

_encode = msgspec.json.Encoder().encode
_machine = msgspec.json.Decoder(Machine).decode


class _Move(Struct, frozen=True):
    adjuster: str


class _Told(Struct, frozen=True):
    """What is read of a stored answer."""

    moves: list[_Move]


_told = msgspec.json.Decoder(_Told).decode


class Farm:
    """One store, for the process that serves."""

    def __init__(self, settings: Settings, corrections: Corrections, metrics: Metrics) -> None:
        self._store = store_of(settings.store)
        self.machines = Machines(self._store)
        self.standings = Standings(self._store)
        self.histories = Histories(self._store)
        self.surveys = Surveys(self._store)
        self.logbook = Logbook(self._store)
        self.feed = Feed(self._store)
        self._targets = Targets(networks_of(settings))
        self.webhooks = Webhooks(self._store, self._targets)
        deliveries = Deliveries(self._store, self._targets, settings.webhook_seconds, metrics)
        self._upkeep = Upkeep(self._store, settings.events, deliveries)
        self._store.written = self._look
        self.solving = Solving(corrections)
        self.keys = Keys(self._store)
        self._poster = Poster(self._store)

    async def open(self) -> None:
        """Check the store.

        Raises:
            StoreError: this service cannot work with it.
        """
        await check(self._store)
        self._upkeep.start()

    async def close(self) -> None:
        """End what is being written, and every connection."""
        await self.feed.close()
        await self._poster.close()
        await self._upkeep.close()
        self._targets.close()
        await self.keys.close()
        await self._store.close()

    def _look(self) -> None:
        self.feed.look()
        self._upkeep.look()

    def batches(self, *, describes: bool) -> Batches:
        """Return what a batch finds and leaves here; ``describes``: descriptions of machines too."""
        return Batches(self.machines, self._poster, describes=describes)

    async def measured(self, most: int) -> list[Metric]:
        """Return what the store tells of itself, for monitoring."""
        return await measured(self.standings, most)

    async def store_survey(
        self, machine: str, entry: SurveyEntry[Any], key: str | None, receive: Receive
    ) -> SurveyRecord:
        """Correct a survey and store both; a repetition gets what was stored the first time.

        Raises:
            SolverError: it cannot be corrected.
            RequestError: there is no such machine, the key is that of another survey, or the store fails.
        """
        sent = digest(_encode(entry))
        await self._poster.turn()
        if key is None and (assumed := self.surveys.assumed(machine)) is not None:
            with suppress(Outdated, Refused, Impossible):  # by what is stored now it may be answered otherwise
                return await self._poster.post(await self._posting(assumed, entry, key, sent, receive, assumed=True))
        basis = await self.surveys.basis(machine, key)
        if basis.repeated is not None and key is not None:
            if basis.repeated.sent != sent:
                raise other_survey(key)
            return basis.repeated.record
        return await self._poster.post(await self._posting(basis, entry, key, sent, receive))

    async def _posting(
        self,
        basis: Basis,
        entry: SurveyEntry[Any],
        key: str | None,
        sent: str,
        receive: Receive,
        *,
        assumed: bool = False,
    ) -> Posting:
        """Return a survey with its correction, to be stored.

        Raises: as :meth:`Solving.first`.
        """
        solved = await self.solving.first(basis, entry, receive)
        taken_at = entry.survey.taken_at
        at = None if taken_at is None else times.read(taken_at)
        return Posting(basis.description, at, key, sent, *solved, assumed=assumed)

    async def record_moves(self, machine: str, number: int, entry: MovesEntry) -> MovesRecord:
        """Record the moves made after a survey.

        Raises:
            RequestError: there is no such survey, or an adjuster is none of the machine's.
        """
        survey: Any = await self.surveys.get(machine, number)  # the documents stand in the place of their types
        described = _machine(parts_of((await self.machines.get(machine, survey.version)).document).machine)
        seats = described.rails.seats if described.rails is not None else []
        known = {support.id for support in described.supports} | {seat.id for seat in seats}
        known |= {move.adjuster for move in _told(survey.answer).moves}  # a plug-in may have adjusters of its own
        faults = list[Fault]()
        for at, made in enumerate(entry.moves):
            if made.adjuster not in known:
                detail = f"The machine has no support or seat `{made.adjuster}`; name the one that was moved."
                faults.append(Fault(f"/moves/{at}/adjuster", detail))
            elif made.adjuster in {one.adjuster for one in entry.moves[:at]}:
                detail = f"`{made.adjuster}` is named twice; give the sum of its travels."
                faults.append(Fault(f"/moves/{at}/adjuster", detail))
        if entry.made_at is not None and times.read(entry.made_at) is None:
            faults.append(Fault("/made_at", "Give date and time with their offset, as 2026-05-04T09:30:00Z."))
        if faults:
            raise RequestError(problems.INVALID, problems.first_of(faults), faults)
        return await self.logbook.record_moves(machine, number, _encode(entry), len(entry.moves))
