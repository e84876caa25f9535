"""Services in processes of their own that begin at once, to be killed in the middle of their work."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, NamedTuple

from processes import PATIENCE, free_port, listens, wait_for

FORKS = """
import json, os, signal, sys
from tramwright_service.catalogue import examples
from tramwright_service.execution.metrics import Metrics
from tramwright_service.farm import farm
from tramwright_service.http import app, serving
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import installed
from tramwright_solvers.correction.cache import GeometryCache
app.self_test(installed(with_plug_ins=False), GeometryCache(0))
app.self_test = lambda *_: None
signal.signal(signal.SIGCHLD, signal.SIG_IGN)
settings = Settings(log_level="error", store=sys.argv[1], **json.loads(sys.argv[2]))
for line in sys.stdin:
    pid = os.fork()
    if not pid:
        metrics = Metrics(settings)
        whole = app.create_app(settings, metrics=metrics, plug_ins=())
        serving.serve(whole, settings, metrics, "127.0.0.1", int(line))
        os._exit(0)
    print(pid, flush=True)
"""
"""A process that has loaded everything, and becomes a service on each port that it is told: so each starts at once."""


class Service(NamedTuple):
    """A service in a process of its own."""

    port: int
    pid: int

    def ask(self, method: str, path: str, payload: Any = None, **headers: str) -> tuple[int, Any, dict[str, str]]:
        """Status, answer and headers of one request; OSError or HTTPException where there is no answer."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
        try:
            body = None if payload is None else json.dumps(payload)
            own = {
                "content-type": "application/json",
                **{name.replace("_", "-"): text for name, text in headers.items()},
            }
            connection.request(method, path, body, own)
            answer = connection.getresponse()
            told = answer.read()
            return answer.status, json.loads(told) if told else None, {k.lower(): v for k, v in answer.getheaders()}
        finally:
            connection.close()

    def stop(self) -> None:
        """Tell it to end."""
        os.kill(self.pid, signal.SIGTERM)

    def kill(self) -> None:
        """End it without a word."""
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)


class Forks:
    """Services with one store, each a fork of a process that has everything loaded."""

    def __init__(self, where: str, settings: dict[str, Any]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", FORKS, where, json.dumps(settings)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._begun: list[Service] = []

    def service(self) -> Service:
        """Start a service, and wait until it listens."""
        port = free_port()
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(f"{port}\n")
        self._process.stdin.flush()
        begun = Service(port, int(self._process.stdout.readline()))
        self._begun.append(begun)
        wait_for(lambda: listens(port))
        return begun

    def close(self) -> None:
        for one in self._begun:
            one.kill()
        self._process.kill()
        self._process.wait(PATIENCE)
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()


@contextmanager
def forks(where: str, **settings: Any) -> Iterator[Forks]:
    made = Forks(where, settings)
    try:
        yield made
    finally:
        made.close()
