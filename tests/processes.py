"""Processes that tests start and wait for: the command, the service, and a cluster of one worker."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path

from click.testing import CliRunner, Result

from tramwright_service.cli.main import main

# A shell that started the tests in its background has had them ignore Ctrl-C, and they would pass that on.
COMMAND = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "import sys; from tramwright_service.cli.main import main; main(sys.argv[1:])"
)


PATIENCE = 180.0
"""Seconds after which a test that waits is taken to hang: far longer than anything takes on a busy machine."""


def wait_for(what: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE
    while not what():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.01)


def run(*arguments: str | Path, given: bytes | None = None) -> Result:
    """The command, run in this process."""
    return CliRunner().invoke(main, [str(one) for one in arguments], input=given, catch_exceptions=False)


@contextmanager
def cluster(port: int, folder: str, *more: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """A scheduler of dask and one worker, as processes; ``more`` tells the worker how to run."""
    dask, silent = [sys.executable, "-m"], {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    here = ["--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    alone = ["--nthreads", "1", "--no-dashboard", "--death-timeout", f"{PATIENCE:g}", "--local-directory", folder]
    address, own = f"tcp://127.0.0.1:{port}", {**os.environ, **environment}
    scheduler = subprocess.Popen([*dask, "distributed.cli.dask_scheduler", *here], **silent, env=own)
    worker = subprocess.Popen(
        [*dask, "distributed.cli.dask_worker", address, *alone, *(more or ("--no-nanny",))], **silent, env=own
    )
    try:
        yield scheduler
    finally:
        for process in (worker, scheduler):
            process.kill()
            process.wait()


def started(port: int, **settings: str) -> subprocess.Popen[bytes]:
    """The service as a process that is going to listen on a port; whoever starts it ends it."""
    environment = {**os.environ, **{f"TRAMWRIGHT_{name}".upper(): value for name, value in settings.items()}}
    return subprocess.Popen(
        [sys.executable, "-c", COMMAND, "serve", "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
    )


@contextmanager
def served(**settings: str) -> Iterator[int]:
    """The service as a process, on a port of its own."""
    port = free_port()
    process = started(port, **settings)
    try:
        wait_for(lambda: listens(port))
        yield port
    finally:
        process.terminate()
        process.wait(PATIENCE)


_ports = count(11_000 + os.getpid() * 997 % 20_000)
"""Where tests look for ports: below those that the system deals out, so that no connection is given the port of a
service that is just being started, above those that browsers refuse, and elsewhere for each process that runs tests."""


def free_port() -> int:
    """A port on which nobody listens; none is given twice."""
    while True:
        port = next(_ports)
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def listens(port: int) -> bool:
    with socket.socket() as knock:
        return knock.connect_ex(("127.0.0.1", port)) == 0


def joined(port: int) -> None:
    """Wait until the scheduler has its worker."""
    import distributed

    wait_for(lambda: listens(port))
    with distributed.Client(f"tcp://127.0.0.1:{port}", set_as_default=False) as client:
        client.wait_for_workers(1, timeout=PATIENCE)
