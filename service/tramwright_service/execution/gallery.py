"""Pictures of answers, drawn on threads of their own and kept by what was asked, bounded in bytes."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import suppress
from hashlib import blake2b

from cachetools import LRUCache
from litestar.types import Receive
from msgspec import Struct

from ..maps.colours import Theme
from .metrics import Metrics
from .threads import SolverThreads


class Asked(Struct, frozen=True):
    """What a picture is made from: the request as it was sent, and how it is to look."""

    question: str
    body: bytes
    sent_as: bytes
    media_type: str
    theme: Theme

    def key(self) -> bytes:
        """Return the name under which the picture is kept: equal requests have equal answers."""
        told = "\n".join((self.question, self.media_type, self.theme)).encode() + b"\n" + self.sent_as + b"\n"
        return blake2b(told + self.body, digest_size=24).digest()


class Gallery:
    """Draws what was not drawn lately."""

    def __init__(self, threads: SolverThreads, most: int, metrics: Metrics) -> None:
        self._threads = threads
        self._metrics = metrics
        self._kept: LRUCache[bytes, bytes] = LRUCache(most, getsizeof=len)
        metrics.watch("tramwright_map_cache_bytes", "Bytes of pictures kept by this process.", lambda: self.nbytes)

    @property
    def nbytes(self) -> int:
        """Bytes of the pictures kept."""
        return int(self._kept.currsize)

    async def picture(
        self, asked: Asked, answer: Callable[[], Awaitable[Callable[[], bytes]]], receive: Receive
    ) -> bytes:
        """Return the picture of an answer as a file.

        Args:
            asked: what it is made from.
            answer: answers the request and returns what draws that; not called where a picture is kept.
            receive: the messages of the client, whose leaving is noticed.

        Raises:
            RequestError: all places for drawing are taken; may be tried again. Or what answering raises.
            OutOfTime: the client went away.
        """
        key = asked.key()
        if (kept := self._kept.get(key)) is not None:
            return kept
        draw = await answer()
        with self._metrics.under_way("maps"):
            made = await self._threads.run(lambda _: draw(), receive=receive)
        with suppress(ValueError):  # larger than all that is kept
            self._kept[key] = made
        return made
