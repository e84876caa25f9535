"""Connections, with bounds on what a client may cost before its request is even there.

A client that opens connections and is silent, sends a header or a body by the byte, or never takes its answer, is cut
off; and where all connections are taken, whoever has been silent longest makes room. uvicorn itself bounds only the
pause between two requests.
"""

from __future__ import annotations

import asyncio
import resource
from collections import Counter
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

import msgspec
import structlog
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from ..execution.metrics import Metrics
from ..settings import Settings
from ..wire import problems
from ..wire.problems import Kind

RESERVED = 64
"""Open files kept for everything but connections: the program's own, pipes to workers, what they load."""
MOST_HEADER = 2**16
"""Bytes of the header of a request at most."""
DISCARDED = 16
"""A body that nobody wants is read and thrown away up to so many times the largest body, so that a client that sends
first and reads afterwards reads why; beyond it the connection is cut."""
ENDLESS = "tramwright.endless"
"""Where the state of a scope has what ends an answer that would not end before the service does."""
LOOK = 0.5
"""Seconds between two looks at who is late."""

log = structlog.get_logger("connections")


class Watch:
    """Who is connected, since when each is waited for, and whom to cut off."""

    def __init__(self, settings: Settings, metrics: Metrics) -> None:
        self.settings = settings
        self.most_discarded = DISCARDED * settings.max_body
        self.stopping = False
        self.open: set[Connection] = set()
        self._metrics = metrics
        self._ended = Counter[str]()
        self._looking = False
        files = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
        self.most = max(8, min(settings.connections, files - RESERVED))
        if self.most < settings.connections:
            log.warning("too few open files", limit=files, connections=self.most, wanted=settings.connections)
        metrics.watch("tramwright_connections", "Connections open now.", lambda: len(self.open))

    def makes_room(self) -> bool:
        """Cut off whoever has been waited for in silence longest; say whether there was anybody."""
        waited = [one for one in self.open if one.is_waited_for() and not one.transport.is_closing()]
        if not waited:
            return False
        self.end(min(waited, key=lambda one: one.heard), "crowded out")
        return True

    def end(self, one: Connection, reason: str, kind: Kind | None = None, detail: str = "") -> None:
        """Close a connection, with a problem where its client may still read one."""
        if kind:
            one.raw.write(as_http(kind, detail))
            one.transport.close()
        else:
            one.transport.abort()
        self.count(reason)

    def count(self, reason: str) -> None:
        """Count a connection closed; the log tells all those of one look in one line."""
        self._ended[reason] += 1
        self._metrics.closed(reason)
        self.look_later()

    def under_way(self) -> dict[str, int]:
        """Return what has been begun and not ended: how many requests, by what they wait for."""
        begun = [one for one in self.open if not one.raw.is_closing() and not one.is_between()]
        return Counter(
            f"{one.scope['method']} {one.scope['path']}: its {'body' if one.is_sending() else 'answer or its end'}"
            for one in begun
        )

    def look_later(self) -> None:
        """Look again in a while, as long as anybody is connected."""
        if not self._looking:
            self._looking = True
            loop = asyncio.get_running_loop()
            loop.call_later(LOOK, self._look, loop.time() + LOOK)

    def _look(self, due: float) -> None:
        self._looking = False
        now = asyncio.get_running_loop().time()
        for one in list(self.open):
            one.judge(now, max(0.0, now - due))
        if self._ended:
            log.warning("connections closed", open=len(self.open), most=self.most, **self._ended)
            self._ended.clear()
        if self.open:
            self.look_later()


class Connection(HttpToolsProtocol):
    """One connection, with the times by which it is judged."""

    def __init__(self, watch: Watch, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.watch = watch
        self.raw: asyncio.Transport
        self.since = self.heard = 0.0  # when what is waited for now began, and when anything came last
        self.head = 0  # bytes of a header that is not whole
        self.whole = True  # the body of the latest request has come to its end
        self.dropped = 0  # bytes of a body thrown away
        self.unsent, self.stuck = 0, 0.0  # bytes that the client has not taken, and since when none went

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection in, or turn it away where all are taken and everybody is being served."""
        self.since = self.heard = self.loop.time()
        room = len(self.watch.open) < self.watch.most or self.watch.makes_room()
        super().connection_made(transport)
        self.raw, self.sending = transport, Lingering(transport, self)
        self.transport = self.sending  # type: ignore[assignment]
        self.watch.open.add(self)
        self.watch.look_later()
        if not room:
            detail = f"All {self.watch.most} connections are busy; try again in a second."
            self.watch.end(self, "turned away", problems.CROWDED, detail)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        self.watch.open.discard(self)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take in what came, unless it is a header without end or too much of a body that nobody wants."""
        self.heard, before = self.loop.time(), self.cycle
        super().data_received(data)
        if self.cycle is not before or not (before is None or before.response_complete) or self.raw.is_closing():
            return
        if self.whole:
            self.head += len(data)
            if self.head > MOST_HEADER:
                detail = f"The header of a request may have {MOST_HEADER} bytes."
                self.watch.end(self, "header too large", problems.BAD_REQUEST, detail)
        else:
            self.dropped += len(data)
            if self.dropped > self.watch.most_discarded:
                self.watch.end(self, "body too large")

    def on_message_begin(self) -> None:
        """Begin to wait for the rest of a header."""
        self.since = self.heard
        super().on_message_begin()

    def on_headers_complete(self) -> None:
        """Begin to wait for the body."""
        self.since, self.head, self.whole, self.dropped = self.heard, 0, False, 0
        super().on_headers_complete()
        if self.watch.stopping:
            self.cycle.keep_alive = False

    def on_message_complete(self) -> None:
        """Note that nothing more of the request is to come."""
        self.whole, self.since = True, self.heard
        super().on_message_complete()
        if self.cycle.response_complete and not self.cycle.keep_alive:
            self.raw.close()

    def on_response_complete(self) -> None:
        """Begin to wait for the next request, or for the rest of this one."""
        self.since = self.loop.time()
        self.sending.flush()
        super().on_response_complete()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP as everything else is refused."""
        self.raw.write(as_http(problems.BAD_REQUEST, msg))
        self.raw.close()

    def is_between(self) -> bool:
        """Say whether the next thing to come is a header."""
        return self.whole and (self.cycle is None or self.cycle.response_complete)

    def is_sending(self) -> bool:
        """Say whether a body is being waited for.

        Once an answer has begun, as in a batch, its route judges; and a request sent behind another waits for that.
        """
        if self.whole or self.pipeline:
            return False
        return self.cycle.response_complete or not self.cycle.response_started

    def endless(self) -> Callable[[], None] | None:
        """Return what ends an answer that has no end of its own, as a stream of events; None for any other."""
        return None if self.is_between() else self.scope["state"].get(ENDLESS)

    def is_waited_for(self) -> bool:
        """Say whether nothing is done for this client because it is its turn."""
        return self.is_between() or self.is_sending()

    def judge(self, now: float, held_up: float) -> None:
        """Cut this connection off if it is late; what came while we were held up ourselves may lie there unread."""
        settings = self.watch.settings
        self.since, self.stuck = self.since + held_up, self.stuck + held_up
        unsent = self.raw.get_write_buffer_size()
        if unsent != self.unsent or not unsent:
            self.unsent, self.stuck = unsent, now
        elif now - self.stuck > settings.idle_seconds:
            self.watch.end(self, "answer not taken")
            return
        if self.raw.is_closing():
            return
        if self.is_between() and now - self.since > settings.header_seconds:
            detail = f"The header of a request must come within {settings.header_seconds} seconds."
            self.watch.end(self, "header late", problems.CUT_OFF if self.head else None, detail)
        elif self.is_sending() and now - self.since > settings.body_seconds:
            answered = self.cycle.response_complete
            detail = f"The body of a request must come within {settings.body_seconds} seconds."
            self.watch.end(self, "body late", None if answered else problems.CUT_OFF, detail)


class Lingering:
    """A transport that is closed only when the client has sent what it had begun to send.

    Closed before, the kernel answers what still comes with a reset, and the client never reads its answer. The head of
    an answer whose length is known waits for its body, and both go in one piece: half the calls, and one waking.
    """

    def __init__(self, raw: asyncio.Transport, connection: Connection) -> None:
        self.abort, self.is_closing = raw.abort, raw.is_closing
        self._raw, self._connection = raw, connection
        self._head = b""

    def write(self, data: bytes) -> None:
        """Send, or keep a head for its body."""
        if self._head:
            self._raw.writelines((self._head, data))
            self._head = b""
        elif self._connection.cycle.expected_content_length and data.startswith(b"HTTP/"):
            self._head = data
        else:
            self._raw.write(data)

    def flush(self) -> None:
        """Send a head whose body does not come."""
        if self._head:
            self._raw.write(self._head)
            self._head = b""

    def close(self) -> None:
        """Close now, or at the end of the body."""
        self.flush()
        cycle = self._connection.cycle
        if self._connection.whole or cycle is None or not cycle.response_complete:
            self._raw.close()


def as_http(kind: Kind, detail: str) -> bytes:
    """Return a problem as a whole answer, for clients that no route has seen."""
    body = msgspec.json.encode(problems.write(kind, detail))
    retry = "retry-after: 1\r\n" if kind.status == 503 else ""
    head = (
        f"HTTP/1.1 {kind.status} {HTTPStatus(kind.status).phrase}\r\ncontent-type: {problems.MEDIA_TYPE}\r\n"
        f"content-length: {len(body)}\r\nx-content-type-options: nosniff\r\n{retry}connection: close\r\n\r\n"
    )
    return head.encode() + body
