"""GET as caches and browsers use it: a tag for each content, 304 where the client has it, gzip where it takes it.

RFC 9110: entity tags (8.8.3), If-None-Match (13.1.2), Accept-Encoding (12.5.3). Answers to POST pass untouched.
"""

from __future__ import annotations

import asyncio
import gzip
from collections.abc import Iterable
from functools import lru_cache
from hashlib import blake2b

from litestar.types import ASGIApp, HTTPResponseStartEvent, Message, Receive, Scope, Send

from ..wire.accept import ranges

SMALL = 1024
"""Bytes below which compressing saves nothing."""
LARGE = 2**16
"""Bytes beyond which compressing takes milliseconds and leaves the event loop."""
KEPT = 64
"""Bodies of which tag and compressed form are kept: the documents and what they load are fewer."""
COMPRESSIBLE = (
    b"text/",
    b"application/json",
    b"application/javascript",
    b"image/svg+xml",
    b"application/vnd.oai.openapi+json",
)

Headers = list[tuple[bytes, bytes]]


def represented(app: ASGIApp, vary: bytes) -> ASGIApp:
    """Wrap an application whose GET answers are to be revalidated and compressed; a stream passes as it is.

    Args:
        app: what answers.
        vary: request headers that answers depend on beside Accept-Encoding, parted by commas.
    """

    async def answered(scope: Scope, receive: Receive, send: Send) -> None:
        start: HTTPResponseStartEvent | None = None

        async def shaped(message: Message) -> None:
            nonlocal start
            if message["type"] == "http.response.start":
                start = message  # held back: its headers depend on the body
                return
            if start is None or message["type"] != "http.response.body":
                await send(message)
                return
            head, start = start, None
            body = message.get("body", b"")
            if not message.get("more_body", False):
                head, body = await shape(head, body, scope, vary)
                message = {"type": "http.response.body", "body": body, "more_body": False}
            await send(head)
            await send(message)

        await app(scope, receive, shaped)

    return answered


async def shape(
    head: HTTPResponseStartEvent, body: bytes, scope: Scope, vary: bytes
) -> tuple[HTTPResponseStartEvent, bytes]:
    """Return head and body of a whole answer as this client is to have them."""
    given = dict(head["headers"])
    kept = b"no-store" if head["status"] >= 400 else given.get(b"cache-control", b"no-cache")
    headers: Headers = [
        *((n, v) for n, v in head["headers"] if n not in (b"content-length", b"cache-control", b"vary", b"etag")),
        (b"cache-control", kept),
        (b"vary", b", ".join(filter(None, (given.get(b"vary"), b"accept-encoding", vary)))),
    ]
    if head["status"] != 200:
        return _head(head["status"], [*headers, (b"content-length", b"%d" % len(body))]), body
    tag = b"" if kept == b"no-store" else given.get(b"etag") or _tag(body)
    media_type = given.get(b"content-type", b"")
    if len(body) >= SMALL and media_type.startswith(COMPRESSIBLE) and takes_gzip(scope["headers"]):
        tag = tag and tag[:-1] + b'-gzip"'
        headers.append((b"content-encoding", b"gzip"))
        if not holds(scope["headers"], tag):
            body = await asyncio.to_thread(_gzipped, body) if len(body) > LARGE else _gzipped(body)
    if tag:
        headers.append((b"etag", tag))
        if holds(scope["headers"], tag):
            left = [(n, v) for n, v in headers if n not in (b"content-type", b"content-encoding")]
            return _head(304, left), b""
    return _head(200, [*headers, (b"content-length", b"%d" % len(body))]), body


def _head(status: int, headers: Headers) -> HTTPResponseStartEvent:
    return {"type": "http.response.start", "status": status, "headers": headers}


@lru_cache(KEPT)
def _tag(body: bytes) -> bytes:
    return b'"%b"' % blake2b(body, digest_size=12).hexdigest().encode()


@lru_cache(KEPT)
def _gzipped(body: bytes) -> bytes:
    return gzip.compress(body, 6, mtime=0)


def takes_gzip(headers: Iterable[tuple[bytes, bytes]]) -> bool:
    """Say whether the client takes gzip."""
    wanted = dict(ranges(_joined(headers, b"accept-encoding").decode("latin-1")))
    return wanted.get("gzip", wanted.get("*", 0.0)) > 0.0


def holds(headers: Iterable[tuple[bytes, bytes]], tag: bytes) -> bool:
    """Say whether the client already has the content of this tag: If-None-Match compares weakly."""
    known = [one.strip().removeprefix(b"W/") for one in _joined(headers, b"if-none-match").split(b",")]
    return bool(tag) and (tag in known or b"*" in known)


def _joined(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> bytes:
    return b",".join(value for key, value in headers if key == name)
