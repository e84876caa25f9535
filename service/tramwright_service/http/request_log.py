"""One log line for each request: method, path, status, milliseconds. Bodies and queries are never logged."""

from __future__ import annotations

import asyncio
import logging
import sys
import time
from datetime import UTC, datetime
from typing import Any, Literal

import msgspec
import structlog
from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from msgspec import Struct


def configure(level: str) -> None:
    """Send log lines as JSON, one a line, to standard error, from this level up."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(serializer=_serialize),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.BytesLoggerFactory(sys.stderr.buffer),
        cache_logger_on_first_use=True,
    )


def _serialize(event: Any, **_: Any) -> Any:
    return msgspec.json.encode(event, enc_hook=repr)


class Line(Struct):
    """One request as it is logged."""

    method: str
    path: str
    status: int
    ms: float
    timestamp: datetime
    event: Literal["request"] = "request"
    level: Literal["info"] = "info"


def request_log(app: ASGIApp, level: str) -> ASGIApp:
    """Wrap an application so that each request it answers makes one line, from the level `info` down.

    The line is encoded here and not by the logging pipeline, which would take longer than a third of a correction.
    """
    if logging.getLevelNamesMapping()[level.upper()] > logging.INFO:
        return app
    encode = msgspec.json.Encoder().encode
    ended: list[bytes] = []

    def write() -> None:
        lines = b"".join(ended)
        ended.clear()
        sys.stderr.buffer.write(lines)
        sys.stderr.buffer.flush()

    async def logged(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP:
            await app(scope, receive, send)
            return
        start = time.perf_counter()
        status = 0

        async def watch(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        await app(scope, receive, watch)
        spent = round((time.perf_counter() - start) * 1e3, 3)
        if not ended:
            # The lines of one turn of the event loop go out in one piece.
            asyncio.get_running_loop().call_soon(write)
        ended.append(encode(Line(scope["method"], scope["path"], status, spent, datetime.now(UTC))) + b"\n")

    return logged
