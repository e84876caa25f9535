"""Which form of the answer a client wants: Accept as RFC 9110 (section 12.5.1) reads it."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from . import problems
from .media_types import JSON, MSGPACK_NAMES, TEXT
from .problems import RequestError

OFFERED = (JSON, *MSGPACK_NAMES, TEXT)


@lru_cache(maxsize=256)
def choose(accept: bytes, offered: tuple[str, ...] = OFFERED) -> str:
    """Return the media type of the answer: the most wanted of those offered, the earlier of equals.

    Raises:
        RequestError: none of them is accepted.
    """
    wanted = list(ranges(accept.decode("latin-1")))
    if not wanted:
        return offered[0]
    best, best_quality = "", 0.0
    for offer in offered:
        quality = _quality(offer, wanted)
        if quality > best_quality:
            best, best_quality = offer, quality
    if not best:
        raise RequestError(
            problems.NOT_ACCEPTABLE, f"The answer can be given as {', '.join(offered)}; ask for one of these in Accept."
        )
    return best


def accepted(scope_headers: Iterable[tuple[bytes, bytes]]) -> bytes:
    """Return the Accept header, several joined to one, as the protocol allows."""
    return b",".join(value for name, value in scope_headers if name == b"accept")


def ranges(accept: str) -> list[tuple[str, float]]:
    """Return what a header of the Accept family names, in lower case, each with its quality."""
    found = []
    for part in accept.split(","):
        media, *parameters = (piece.strip().lower() for piece in part.split(";"))
        if not media:
            continue
        quality = 1.0
        for parameter in parameters:
            name, _, value = parameter.partition("=")
            if name.strip() == "q":
                try:
                    quality = min(max(float(value), 0.0), 1.0)
                except ValueError:
                    quality = 0.0
        found.append((media, quality))
    return found


def _quality(offer: str, wanted: list[tuple[str, float]]) -> float:
    """Return how much an offer is wanted: the most specific range that covers it decides."""
    kind = offer.partition("/")[0]
    for pattern in (offer, f"{kind}/*", "*/*"):
        matches = [quality for media, quality in wanted if media == pattern]
        if matches:
            return max(matches)
    return 0.0
