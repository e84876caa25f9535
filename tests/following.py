"""Readers of streams of events, over sockets of their own: parsed as WHATWG HTML, 9.2.6 has it, in what is needed."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, NamedTuple

from processes import PATIENCE, wait_for


class Seen(NamedTuple):
    """One event: what the stream says of it, and the CloudEvent in it."""

    id: str
    type: str
    event: dict[str, Any]


class Reader:
    """One connection that reads events as they come, on a thread; ``last`` is what it would come back with."""

    def __init__(self, port: int, query: str = "", last: str = "", *, narrow: bool = False) -> None:
        self.seen: list[Seen] = []
        self.last, self.retry, self.comments, self.status = last, "", 0, ""
        self._socket = socket.socket()
        self._socket.settimeout(PATIENCE)
        if narrow:  # the network holds little that it has not taken
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self._socket.connect(("127.0.0.1", port))
        again = f"Last-Event-ID: {last}\r\n" if last else ""
        # HTTP/1.0: what comes is no pieces with their lengths
        request = f"GET /v1/events{query} HTTP/1.0\r\nHost: localhost\r\nAccept: text/event-stream\r\n{again}\r\n"
        self._socket.sendall(request.encode())
        self._going = threading.Event()
        self._going.set()
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        name = data = number = ""
        with suppress(OSError), self._socket.makefile("rb") as lines:
            self.status = lines.readline().decode().strip()
            while lines.readline().strip():
                pass
            for line in lines:
                self._going.wait()
                if not line.endswith(b"\n"):
                    break  # it was cut off
                field, _, value = line.decode().rstrip("\n").partition(": ")
                if field == "id":
                    number = value
                elif field == "event":
                    name = value
                elif field == "data":
                    data = value
                elif field == "retry":
                    self.retry = value
                elif field == ":":
                    self.comments += 1
                elif not field:  # what is cut off before is no event, and its id counts for nothing
                    self.last = number or self.last
                    if data:
                        self.seen.append(Seen(self.last, name, json.loads(data)))
                    name = data = number = ""

    @property
    def ended(self) -> bool:
        return not self._thread.is_alive()

    def pause(self) -> None:
        """Take nothing until :meth:`go`."""
        self._going.clear()

    def go(self) -> None:
        self._going.set()

    def has(self, number: int) -> list[Seen]:
        """Wait for so many events, and return all there are."""
        wait_for(lambda: len(self.seen) >= number or self.ended)
        assert len(self.seen) >= number, self.seen
        return self.seen

    def begun(self) -> Reader:
        """Wait until it knows from where it follows."""
        wait_for(lambda: bool(self.last and self.comments) or self.ended)
        assert not self.ended
        return self

    def close(self) -> None:
        self.go()
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(PATIENCE)
        self._socket.close()


@contextmanager
def following(port: int, query: str = "", last: str = "", *, narrow: bool = False) -> Iterator[Reader]:
    """A reader that has begun to follow."""
    reader = Reader(port, query, last, narrow=narrow)
    try:
        yield reader.begun()
    finally:
        reader.close()
