"""A receiver of webhooks, on this host, that answers as it is told to and verifies what it is sent."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NamedTuple

from processes import wait_for


class Post(NamedTuple):
    """What was sent."""

    headers: dict[str, str]
    body: bytes

    @property
    def id(self) -> str:
        return self.headers["webhook-id"]

    @property
    def event(self) -> dict[str, Any]:
        event: dict[str, Any] = json.loads(self.body)
        return event

    def is_signed_by(self, secret: str) -> bool:
        """Whether it was sent by whoever has the secret, and lately: as a receiver would verify it."""
        key = base64.b64decode(secret.removeprefix("whsec_"))
        timestamp = self.headers["webhook-timestamp"]
        signed = f"{self.id}.{timestamp}.".encode() + self.body
        expected = "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
        given = self.headers["webhook-signature"].split(" ")
        return any(hmac.compare_digest(expected, one) for one in given) and abs(time.time() - int(timestamp)) < 300


class Receiver:
    """What was posted to it, in order; ``answer`` is called for each post with the handler."""

    def __init__(self, server: ThreadingHTTPServer) -> None:
        self.port = server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}/hook"
        self.posts: list[Post] = []
        self.under_way = self.most_under_way = 0
        self.answer: Callable[[BaseHTTPRequestHandler], None] = status(204)
        self.lock = threading.Lock()

    def has(self, number: int) -> list[Post]:
        """Wait for so many posts, and return all there are."""
        wait_for(lambda: len(self.posts) >= number)
        return list(self.posts)


def status(code: int, **headers: str) -> Callable[[BaseHTTPRequestHandler], None]:
    """Answer with a status and nothing else."""

    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(code)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("content-length", "0")
        handler.end_headers()

    return answer


@contextmanager
def receiving() -> Iterator[Receiver]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            length = int(self.headers["content-length"])
            body = self.rfile.read(length)
            if len(body) < length:  # whoever posted was killed in the middle
                return
            with receiver.lock:
                receiver.posts.append(Post({name.lower(): value for name, value in self.headers.items()}, body))
                receiver.under_way += 1
                receiver.most_under_way = max(receiver.most_under_way, receiver.under_way)
            with suppress(OSError):  # whoever posted has had enough
                receiver.answer(self)
            with receiver.lock:
                receiver.under_way -= 1

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    receiver = Receiver(server)
    thread = threading.Thread(target=server.serve_forever, args=[0.05])
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
