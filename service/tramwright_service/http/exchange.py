"""What is done to every exchange, whatever the route: an id, a line in the log, a count, HEAD, headers for browsers."""

from __future__ import annotations

import asyncio
import re
import sys
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from itertools import count
from secrets import token_hex
from typing import Any, Literal

import msgspec
from litestar.config.cors import CORSConfig
from litestar.types import ASGIApp, Message, Receive, Send
from msgspec import UNSET, Struct, UnsetType

from ..execution.metrics import Metrics
from ..settings import Settings
from ..wire.access import Scope, discreet
from ..wire.plain import plain
from .access import WHO, Access
from .representations import represented

ID = "tramwright.request_id"
"""Where a scope holds the id of its request."""
HEAD = "tramwright.head"
"""Where a scope of GET says that no body is sent: what never ends need not begin."""
WELL_FORMED = re.compile(rb"[A-Za-z0-9][A-Za-z0-9._:/+=@-]{0,127}")
"""Ids that are taken from a client; of any other request the service makes one."""
USUAL_HOST = re.compile(rb"[A-Za-z0-9._:\[\]-]*")
"""Hosts that need no second look."""
SENT = (
    "Accept", "Authorization", "Content-Type", "Idempotency-Key", "If-Match", "If-None-Match", "Last-Event-ID",
    "X-Request-ID",
)  # fmt: skip
"""Headers that a page of another origin may send."""
SEEN = ("ETag", "Link", "Location", "Retry-After", "WWW-Authenticate", "X-Request-ID")
"""Headers of answers that it may see."""
NAMED = re.compile(r"\{(\w+):str\}")
"""The segment of a path that is a name."""
NOSNIFF = (b"x-content-type-options", b"nosniff")


def cross_origin(origins: tuple[str, ...]) -> CORSConfig | None:
    """Return what lets pages of these origins ask; without origins, nothing does."""
    if not origins:
        return None
    return CORSConfig(
        allow_origins=list(origins),
        allow_methods=["DELETE", "GET", "HEAD", "PATCH", "POST", "PUT"],
        allow_headers=list(SENT),
        expose_headers=list(SEEN),
    )


class Line(Struct):
    """One request as it is logged."""

    method: str
    path: str
    status: int
    ms: float
    request_id: str
    timestamp: datetime
    key: str | UnsetType = UNSET
    scope: Scope | UnsetType = UNSET
    event: Literal["request"] = "request"
    level: Literal["info"] = "info"


def request_log() -> Callable[[str, Any, int, float], None]:
    """Return what writes one line for each request: method, path, status, milliseconds, id, and name and scope of its
    key; never body, query, or the key itself, wherever it was put.

    The line is encoded here and not by the logging pipeline, which would take longer than a third of a correction.
    """
    encode = msgspec.json.Encoder().encode
    ended: list[bytes] = []

    def write() -> None:
        lines = b"".join(ended)
        ended.clear()
        sys.stderr.buffer.write(lines)
        sys.stderr.buffer.flush()

    def log(method: str, scope: Any, status: int, seconds: float) -> None:
        if not ended:
            # The lines of one turn of the event loop go out in one piece.
            asyncio.get_running_loop().call_soon(write)
        line = Line(method, plain(scope["path"]), status, round(seconds * 1e3, 3), scope[ID], datetime.now(UTC))
        if (key := scope.get(WHO)) is not None:
            line.key, line.scope = plain(key.name), key.scope
        ended.append(discreet(encode(line)) + b"\n")

    return log


def exchange(
    app: ASGIApp, direct: Mapping[str, ASGIApp], settings: Settings, metrics: Metrics, access: Access | None
) -> ASGIApp:
    """Wrap the application; ``direct`` are those that answer a POST to these paths without its router, one segment of
    which may be a name."""
    exact = {path: (app, path) for path, app in direct.items() if "{" not in path}
    patterns = [
        (re.compile(NAMED.sub(r"(?P<\1>[^/]+)", path)), app, NAMED.sub(r"{\1}", path))
        for path, app in direct.items()
        if path not in exact
    ]
    log = request_log() if settings.log_level in ("debug", "info") else None
    got = represented(app, b"origin" if settings.origins else b"")
    prefix, number = token_hex(6), count(1)

    def found(scope: Any) -> tuple[ASGIApp | None, str]:
        if (known := exact.get(scope["path"])) is not None:
            return known
        if b"%" not in (scope.get("raw_path") or b""):  # what is encoded is left to the framework
            for pattern, route, template in patterns:
                if (named := pattern.fullmatch(scope["path"])) is not None:
                    scope["path_params"] = named.groupdict()
                    return route, template
        return None, ""

    async def answered(scope: Any, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        start, status, request_id, cut = time.perf_counter(), 0, "", False
        method = scope["method"]
        route, template = found(scope) if method == "POST" else (None, "")
        for name, value in scope["headers"]:
            if name == b"x-request-id":
                request_id = value.decode() if WELL_FORMED.fullmatch(value) else ""
            elif name == b"origin" or (name == b"host" and not USUAL_HOST.fullmatch(value)):
                route = None  # the framework judges both
        request_id = request_id or f"{prefix}-{next(number)}"
        own = [NOSNIFF, (b"x-request-id", request_id.encode())]
        if route is not None:
            scope["path_template"] = template
        elif method in ("GET", "HEAD"):
            # What a router writes into the scope must not change what the server knows of the request.
            scope, route = {**scope, "method": "GET", HEAD: method == "HEAD"}, got
        scope[ID] = request_id

        async def watch(message: Message) -> None:
            nonlocal status, cut
            if cut:
                return
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message.get("headers", ()), *own]
            elif method == "HEAD" and message["type"] == "http.response.body":
                message["body"] = b""
            elif access and message.get("more_body") and not await access.holds(scope):
                cut, message = True, {"type": "http.response.body", "body": b"", "more_body": False}
            await send(message)

        try:
            await (route or app)(scope, receive, watch)
        finally:
            metrics.request(method, scope.get("path_template", ""), status)
            if log:
                log(method, scope, status, time.perf_counter() - start)

    return answered
