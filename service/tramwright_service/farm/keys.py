"""API keys: made, listed, revoked, and found again by whoever answers requests.

A key is 32 random bytes, so its SHA-256 is enough to keep: nobody can try 2^256 of them. A slow hash, which protects
passwords because those can be guessed, would be felt with every request. All keys are held in memory and read again
while requests come; so keys that are made up cost the store one read a second, however many are tried.
"""

from __future__ import annotations

import asyncio
from base64 import b32encode
from collections.abc import Coroutine
from hmac import compare_digest
from secrets import token_bytes, token_urlsafe
from time import monotonic
from typing import Any

from msgspec import Struct
from sqlalchemy import Connection, delete, insert, or_, select, update
from sqlalchemy.exc import IntegrityError

from ..wire.access import KEY, PREFIX, Scope
from . import times
from .store import Store, StoreError
from .tables import KEYS, digest

FRESH, OLDEST = 1.0, 5.0
"""Seconds after which keys are read again while the request that found them old is answered by them, and after which it
waits for them: a key that is revoked stops within ``OLDEST`` in every process. A new one is known within ``FRESH``."""
HOUR = 3_600_000_000
C = KEYS.c


class Key(Struct):
    """A key as it is kept: what it may do, and not the key."""

    id: str
    name: str
    scope: Scope
    digest: str
    made_at: int
    used_at: int | None
    expires_at: int | None

    @property
    def expired(self) -> bool:
        """Whether its time is over."""
        return self.expires_at is not None and self.expires_at <= times.now()


class Keys:
    """The keys of one store, for one process."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known = dict[str, Key]()
        self._read_at = -OLDEST
        self._reading: asyncio.Task[None] | None = None
        self._tasks = set[asyncio.Task[None]]()

    async def add(self, name: str, scope: Scope, days: int | None) -> str:
        """Make a key and return it; nobody can tell it again.

        Raises:
            StoreError: there is one of that name.
            RequestError: the store fails.
        """
        own = b32encode(token_bytes(5)).decode().lower()
        key, now = f"{PREFIX}{own}_{token_urlsafe(32)}", times.now()
        row = Key(own, name, scope, digest(key.encode()), now, None, None if days is None else now + days * times.DAY)

        def write(connection: Connection) -> None:
            try:
                connection.execute(insert(KEYS), [_values(row)])
            except IntegrityError:
                raise StoreError(f"There is a key named `{name}`; revoke it first, or choose another name.") from None

        await self._store.write(write)
        return key

    async def revoke(self, name: str) -> None:
        """Take a key away.

        Raises:
            StoreError: there is none of that name.
            RequestError: the store fails.
        """
        query = delete(KEYS).where(C.name == name)
        if not await self._store.write(lambda connection: connection.execute(query).rowcount):
            raise StoreError(f"There is no key named `{name}`; `tramwright keys list` shows them.")

    async def all(self) -> list[Key]:
        """Return every key by its name, expired ones too.

        Raises:
            RequestError: the store fails.
        """
        rows = await self._store.read(lambda connection: connection.execute(select(KEYS).order_by(C.name)).all())
        return [Key(*row) for row in rows]

    async def find(self, shown: str) -> Key | None:
        """Return the key that somebody shows, expired or not; None where it is none of this store.

        Raises:
            RequestError: the keys are too old and the store cannot be read.
        """
        told = KEY.fullmatch(shown)
        if told is None:
            return None
        key = await self._now(told[1])
        if key is None or not compare_digest(key.digest, digest(shown.encode())):
            return None
        hour = times.now() // HOUR * HOUR
        if key.used_at is None or key.used_at < hour:
            key.used_at = hour
            self._begin(self._used(key.id, hour))
        return key

    async def holds(self, key: Key) -> bool:
        """Say whether a key that was found is still there, and has not expired.

        Raises:
            RequestError: the keys are too old and the store cannot be read.
        """
        now = await self._now(key.id)
        return now is not None and not now.expired

    async def close(self) -> None:
        """Wait for what is being read or written."""
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _now(self, own: str) -> Key | None:
        """Return the key of an id, as it was no longer ago than is allowed."""
        age = monotonic() - self._read_at
        if age > FRESH:
            reading = self._read_again()
            if age > OLDEST or own not in self._known:
                await asyncio.shield(reading)
        return self._known.get(own)

    def _read_again(self) -> asyncio.Task[None]:
        if self._reading is None or self._reading.done():
            self._reading = self._begin(self._read())
        return self._reading

    async def _read(self) -> None:
        begun = monotonic()
        self._known = {key.id: key for key in await self.all()}
        self._read_at = begun

    async def _used(self, key: str, hour: int) -> None:
        query = update(KEYS).where(C.id == key, or_(C.used_at.is_(None), C.used_at < hour)).values(used_at=hour)
        await self._store.write(lambda connection: connection.execute(query))

    def _begin(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Start a task that nobody need wait for: the store has logged why where it fails."""
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            task.exception()


def _values(key: Key) -> dict[str, Any]:
    return {name: getattr(key, name) for name in key.__struct_fields__}
