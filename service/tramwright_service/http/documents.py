"""One document in, one document out: strict, by Content-Type and Accept, and no larger than allowed.

The framework's own decoding takes ``"1.5"`` and ``"NaN"`` for numbers, reads any Content-Type as JSON and fails with
500 on deep nesting or bad UTF-8; so a route reads the body and hands it to our decoder (:mod:`..wire.decode`), and
:mod:`.openapi` documents it from the Struct itself. Nothing else of the framework is needed between the server and such
a route, and its router takes a quarter of what the service adds to a correction: :mod:`.exchange` goes past it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any, NamedTuple

from litestar.types import ASGIApp, Receive, Scope, Send

from ..execution.threads import SolverThreads
from ..wire.accept import OFFERED, accepted, choose
from ..wire.decode import empty, unsupported
from ..wire.problems import CUT_OFF, TOO_LARGE, UNSUPPORTED, RequestError
from .pictures import Headers, Pictures

NONE: Headers = ()
DIRECT = "tramwright.direct"
"""Where a route handler holds the application that answers for it."""


class Sent(NamedTuple):
    """What a client sent, in which form it wants its answer, and how to hear that it has gone."""

    body: bytes
    sent_as: bytes
    media_type: str
    receive: Receive


def answering(
    answer: Callable[[Sent], Awaitable[bytes]], workers: SolverThreads, most: int, pictures: Pictures | None = None
) -> ASGIApp:
    """Return the application that sends a client the answer to its document, which may have ``most`` bytes."""
    offered, drawn = (OFFERED, ()) if pictures is None else (pictures.offered, pictures.types)

    async def answered(scope: Scope, receive: Receive, send: Send) -> None:
        wanted, more = choose(accepted(scope["headers"]), offered), NONE
        body = await whole(scope, receive, most)
        if pictures is not None and wanted in drawn:
            told = await pictures.picture(scope, body, content_type(scope), wanted, receive)
            more = pictures.headers(wanted)
        else:
            workers.expect(body)
            told = await answer(Sent(body, content_type(scope), wanted, receive))
        sent_as = f"{wanted}; charset=utf-8" if wanted.startswith("text/") else wanted
        headers = [
            (b"content-type", sent_as.encode()),
            (b"content-length", b"%d" % len(told)),
            (b"vary", b"accept"),
            *more,
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": told, "more_body": False})

    return answered


def content_type(scope: Any) -> bytes:
    """Return the Content-Type header as it was sent, empty where there is none.

    Raises:
        RequestError: the body is encoded. A small body may decode to a very large one, and none here needs it.
    """
    sent_as = b""
    for name, value in scope["headers"]:
        if name == b"content-type":
            sent_as = sent_as or bytes(value)
        elif name == b"content-encoding" and value.strip().lower() not in (b"", b"identity"):
            raise RequestError(
                UNSUPPORTED,
                "A compressed body is not read here; send it plain.",
                headers={"Accept-Encoding": "identity"},
            )
    return sent_as


async def whole(scope: Any, receive: Receive, most: int) -> bytes:
    """Return the whole body.

    Raises:
        RequestError: it is empty; or it is announced, or turns out, larger than the limit; or it ends early.
    """
    announced = next((value for name, value in scope["headers"] if name == b"content-length"), b"")
    if announced.isdigit() and int(announced) > most:
        raise _too_large(most)
    body, more = bytearray(), True
    while more:
        message: Any = await receive()
        if message["type"] == "http.disconnect":
            raise RequestError(CUT_OFF, CUT_OFF.remedy)
        body += message.get("body", b"")
        if len(body) > most:
            raise _too_large(most)
        more = message.get("more_body", False)
    if body:
        return bytes(body)
    sent_as = content_type(scope)
    raise empty() if sent_as else unsupported(sent_as)


def _too_large(most: int) -> RequestError:
    return RequestError(TOO_LARGE, f"The body is larger than {most} bytes, the most this service takes.")
