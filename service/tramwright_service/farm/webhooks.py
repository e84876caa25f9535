"""Webhooks: who is sent events, with what filter, and how that fares.

The secret of each is stored as it is, since what is sent is signed with it: whoever reads the database can sign.
"""

from __future__ import annotations

import re
from base64 import b64encode
from secrets import token_bytes, token_hex
from typing import Any, NamedTuple

import msgspec
from msgspec import Struct
from sqlalchemy import ColumnElement, Connection, delete, func, insert, select, update

from tramwright_solvers.model.errors import Fault

from ..wire.events import Machines, Wanted, WebhookEntry, WebhookList, WebhookMade, WebhookRecord
from ..wire.problems import INVALID, NOT_FOUND, RequestError
from . import times
from .events import Filter, last, tell_of_webhook
from .store import Store
from .tables import WEBHOOKS
from .targets import Targets, Unreachable

MOST = 32
"""Webhooks of one store."""
SECRET = 32
"""Bytes of a secret; the specification has 24 to 64."""

WELL: dict[str, Any] = {"failures": 0, "failing_since": None, "due_at": None, "why": None}
"""How a webhook fares that takes what it is sent."""

W = WEBHOOKS.c
_ID = re.compile(r"wh_[0-9a-f]{24}")


class Outcome(NamedTuple):
    """What came of a delivery: why it was not taken, empty where it was; whether it ever will be; how long to wait."""

    why: str = ""
    gone: bool = False
    wait: float = 0.0


class _Wanted(Struct, frozen=True):
    """What a webhook wants, as it is stored."""

    types: Wanted
    machines: Machines


_wanted = msgspec.json.Decoder(_Wanted).decode


def own(webhook: str) -> ColumnElement[bool]:
    """Return the condition for the webhook that a client names.

    Raises:
        RequestError: none can be called so; PostgreSQL fails at texts that hold the character 0.
    """
    if not _ID.fullmatch(webhook):
        raise no_webhook(webhook)
    return W.id == webhook


def filter_of(row: Any) -> Filter:
    """Return which events a webhook wants."""
    wanted = _wanted(row.wanted)
    return Filter(frozenset(wanted.types), frozenset(wanted.machines))


def record(row: Any) -> WebhookRecord:
    """Return a webhook as it is answered."""
    wanted = _wanted(row.wanted)
    return WebhookRecord(
        id=row.id,
        url=row.url,
        types=list(wanted.types),
        machines=wanted.machines,
        made_at=times.shown(row.made_at),
        state="disabled" if row.disabled_at is not None else "failing" if row.failures else "active",
        after=row.after,
        failures=row.failures,
        failing_since=None if row.failing_since is None else times.shown(row.failing_since),
        next_attempt_at=None if row.due_at is None or row.disabled_at is not None else times.shown(row.due_at),
        why=row.why,
    )


class Webhooks:
    """The webhooks of one store."""

    def __init__(self, store: Store, targets: Targets) -> None:
        self._store = store
        self._targets = targets

    async def add(self, entry: WebhookEntry) -> WebhookMade:
        """Set up a webhook for what happens from now on.

        Raises:
            RequestError: its URL may not be sent to, or there are as many as there may be.
        """
        try:
            await self._targets.check(entry.url)
        except Unreachable as error:
            detail = f"{error}; give another, or let whoever runs this service allow it."
            raise RequestError(INVALID, detail, [Fault("/url", detail)]) from None
        name, secret, at = f"wh_{token_hex(12)}", token_bytes(SECRET), times.now()
        wanted = msgspec.json.encode(_Wanted(sorted(set(entry.types)), sorted(set(entry.machines))))

        def write(connection: Connection) -> Any:
            if connection.execute(select(func.count()).select_from(WEBHOOKS)).scalar_one() >= MOST:
                raise RequestError(INVALID, f"There are {MOST} webhooks, as many as there may be; delete one.")
            row = {
                "id": name, "url": entry.url, "wanted": wanted, "secret": secret, "made_at": at,
                "after": last(connection), **WELL,
            }  # fmt: skip
            return connection.execute(insert(WEBHOOKS).values(**row).returning(*W)).one()

        made = record(await self._store.write(write))
        return WebhookMade(**msgspec.structs.asdict(made), secret="whsec_" + b64encode(secret).decode())

    async def list(self) -> WebhookList:
        """Return every webhook, the oldest first."""
        query = select(WEBHOOKS).order_by(W.made_at, W.id)
        rows = await self._store.read(lambda connection: connection.execute(query).all())
        return WebhookList([record(row) for row in rows])

    async def get(self, webhook: str) -> WebhookRecord:
        """Return a webhook.

        Raises:
            RequestError: there is none.
        """
        query = select(WEBHOOKS).where(own(webhook))
        row = await self._store.read(lambda connection: connection.execute(query).one_or_none())
        if row is None:
            raise no_webhook(webhook)
        return record(row)

    async def enable(self, webhook: str, *, enabled: bool) -> WebhookRecord:
        """Send to a webhook again, from the event after the last that it took; or send nothing until then.

        Raises:
            RequestError: there is none.
        """

        query = select(WEBHOOKS).where(own(webhook)).with_for_update()

        def write(connection: Connection) -> WebhookRecord:
            row = connection.execute(query).one_or_none()
            if row is None:
                raise no_webhook(webhook)
            if enabled == (row.disabled_at is None):
                return record(row)
            return disable(connection, webhook, "It was asked for.") if not enabled else _enabled(connection, webhook)

        return await self._store.write(write)

    async def remove(self, webhook: str) -> None:
        """Take a webhook out, its secret with it.

        Raises:
            RequestError: there is none.
        """

        query = delete(WEBHOOKS).where(own(webhook))

        def write(connection: Connection) -> None:
            if not connection.execute(query).rowcount:
                raise no_webhook(webhook)

        await self._store.write(write)


def _enabled(connection: Connection, webhook: str) -> WebhookRecord:
    enabled = update(WEBHOOKS).where(W.id == webhook).values(**WELL, disabled_at=None).returning(*W)
    return record(connection.execute(enabled).one())


def disable(connection: Connection, webhook: str, why: str) -> WebhookRecord:
    """Send nothing to a webhook any more, and tell of it."""
    at = times.now()
    changed = update(WEBHOOKS).where(W.id == webhook).values(disabled_at=at, due_at=None, why=why).returning(*W)
    disabled = record(connection.execute(changed).one())
    tell_of_webhook(connection, at, webhook, disabled)
    return disabled


def no_webhook(webhook: str) -> RequestError:
    """Return the refusal of a webhook that is not there."""
    return RequestError(NOT_FOUND, f"There is no webhook `{webhook}`; `GET /v1/webhooks` lists those.")
