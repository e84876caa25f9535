"""A way to a service on which answers are cut off in their middle, as a network that goes away does."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from threading import Thread

MOST = 1 << 16


class CuttingOff:
    """Passes on what a browser and a service on this machine say to each other; `port` is where it listens.

    Of the answers to requests that begin and go on as told, so many are cut off: half of the body comes.
    """

    def __init__(self, service: int) -> None:
        self.service = service
        self.told = (b"", b"")
        self.left = 0
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._door.getsockname()[1]
        Thread(target=self._let_in, daemon=True).start()

    def cut(self, begins: str, within: str, times: int) -> None:
        """Cut off the answers to the next requests whose head begins with the one text and has the other in it."""
        self.told, self.left = (begins.encode(), within.encode()), times

    def close(self) -> None:
        self._door.close()

    def _let_in(self) -> None:
        with suppress(OSError):  # the door is closed
            while True:
                Thread(target=self._pass_on, args=(self._door.accept()[0],), daemon=True).start()

    def _pass_on(self, browser: socket.socket) -> None:
        with browser, socket.create_connection(("127.0.0.1", self.service)) as service, suppress(OSError):
            Thread(target=_copy, args=(service, browser), daemon=True).start()
            while said := browser.recv(MOST):
                begins, within = self.told
                if self.left and said.startswith(begins) and within in said:
                    self.left -= 1
                    return self._cut_off(browser, said)
                service.sendall(said)

    def _cut_off(self, browser: socket.socket, said: bytes) -> None:
        """Ask by a connection of its own, and pass on half of the body."""
        head, _, body = said.partition(b"\r\n\r\n")
        with socket.create_connection(("127.0.0.1", self.service)) as service:
            service.sendall(head + b"\r\nconnection: close\r\n\r\n" + body)
            Thread(target=_copy, args=(browser, service), daemon=True).start()  # the rest of the request
            answer = b""
            while heard := service.recv(MOST):
                answer += heard
        head, _, body = answer.partition(b"\r\n\r\n")
        browser.sendall(head + b"\r\n\r\n" + body[: len(body) // 2])
        browser.shutdown(socket.SHUT_RDWR)


def _copy(heard: socket.socket, to: socket.socket) -> None:
    with suppress(OSError):
        while said := heard.recv(MOST):
            to.sendall(said)
        to.shutdown(socket.SHUT_RDWR)


@contextmanager
def cutting_off(service: int) -> Iterator[CuttingOff]:
    """Stand between a service on this port and whoever asks on the new one."""
    between = CuttingOff(service)
    try:
        yield between
    finally:
        between.close()
