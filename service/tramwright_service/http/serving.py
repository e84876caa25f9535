"""The server: uvicorn over our own connections (:mod:`.connections`), with an end that clients are told of."""

from __future__ import annotations

import asyncio
import socket
from functools import partial
from types import FrameType

import structlog
import uvicorn
from litestar.types import ASGIApp

from ..execution.metrics import Metrics
from ..execution.request_log import capture
from ..settings import Settings
from .access import is_loopback
from .connections import Connection, Watch

ENDING = 20
"""Seconds that clients have for what they have begun, from the signal to end on."""
SILENT, AGAIN = 0.5, 5.0
"""Seconds from the signal until it is said what is waited for, and from then on between two times."""
WAITING = 128
"""Connections that may wait to be accepted; more would be accepted in one go than there are files for."""


log = structlog.get_logger("connections")


class Server(uvicorn.Server):
    """A server whose answers tell from the signal on that they are the last on their connections."""

    def __init__(self, config: uvicorn.Config, watch: Watch) -> None:
        super().__init__(config)
        self._watch = watch

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End, and say what is waited for where anything is."""
        for end in [one.endless() for one in self._watch.open]:
            if end is not None:
                end()
        telling = asyncio.ensure_future(self._tell())
        try:
            await super().shutdown(sockets)
        finally:
            telling.cancel()

    async def _tell(self) -> None:
        """Say what is waited for, and cut it off when its time is over."""
        clock = asyncio.get_running_loop().time
        end, pause = clock() + ENDING, SILENT
        while (left := end - clock()) > 0:
            await asyncio.sleep(min(pause, left))
            pause = AGAIN
            for one in [one for one in self._watch.open if one.endless()]:  # it has not taken its end
                self._watch.end(one, "ended")
            if waited := self._watch.under_way():
                says = "Waiting for these; the same signal again ends at once."
                log.warning("ending", says=says, most_seconds=round(end - clock()), **waited)
        for one in list(self._watch.open):
            self._watch.end(one, "ended")

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take the signal to end."""
        super().handle_exit(sig, frame)
        self._watch.stopping = True
        for one in list(self._watch.open):
            if one.cycle is not None:
                one.cycle.keep_alive = False


def refused(host: str, port: int) -> str | None:
    """Return why nothing can listen at an address, None where it can: the server says so only once all is loaded."""
    try:
        socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET).close()
    except OSError as error:
        return f"Nothing can listen at {host}, port {port}: {(error.strerror or str(error)).lower()}."
    return None


def serve(app: ASGIApp, settings: Settings, metrics: Metrics, host: str, port: int) -> None:
    """Serve until a signal says otherwise."""
    capture(settings.log_level)
    if not is_loopback(host):
        log.warning(
            "listening beyond this host",
            host=host,
            says="Nothing is encrypted here, keys neither: let a reverse proxy do it."
            if settings.access == "keys"
            else "Whoever reaches this address may read and change everything, and nothing is encrypted: let a reverse "
            "proxy ask who they are, and encrypt.",
        )
    watch = Watch(settings, metrics)
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        # uvicorn takes a class and calls it; what it is given beside its own arguments is nothing to uvicorn
        http=partial(Connection, watch),  # type: ignore[arg-type]
        ws="none",
        backlog=WAITING,
        access_log=False,
        log_config=None,
        log_level="warning",
        server_header=False,
        proxy_headers=False,  # who asks makes no difference
        timeout_graceful_shutdown=ENDING + 5,
    )
    Server(config, watch).run()
