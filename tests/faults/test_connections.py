"""Clients that are slow, silent or too many, against the server as it is served: nobody else is kept out."""

from __future__ import annotations

import json
import os
import resource
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from batch_lines import answers, lines, requests
from processes import COMMAND, PATIENCE, free_port, listens, wait_for
from tramwright_service.catalogue import examples
from tramwright_service.http import connections, serving

DIRECT = urllib.request.build_opener(urllib.request.ProxyHandler({}))
POST = b"POST /v1/corrections HTTP/1.1\r\nHost: test\r\nContent-Type: application/json\r\n"
BATCH = (
    b"POST /v1/corrections/batch HTTP/1.1\r\nHost: test\r\nContent-Type: application/x-ndjson\r\n"
    b"Transfer-Encoding: chunked\r\n\r\n"
)
LARGEST = 2**20


class Served(NamedTuple):
    """A service in a process of its own, and where its log goes."""

    port: int
    process: subprocess.Popen[bytes]
    log: Path

    def connect(self) -> socket.socket:
        made = socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE)
        made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return made

    def get(self, path: str = "/health/live") -> int:
        with DIRECT.open(f"http://127.0.0.1:{self.port}{path}", timeout=PATIENCE) as answer:
            return int(answer.status)

    def logged(self, event: str) -> list[dict[str, Any]]:
        entries = [json.loads(line) for line in self.log.read_bytes().splitlines(keepends=True) if line.endswith(b"\n")]
        return [entry for entry in entries if entry["event"] == event]

    def closed(self, reason: str) -> int:
        return sum(entry.get(reason, 0) for entry in self.logged("connections closed"))


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A service that waits for nobody longer than a few seconds."""
    log = tmp_path_factory.mktemp("service") / "log"
    with served(log, header_seconds=1, body_seconds=2, idle_seconds=4, max_body=LARGEST, batches=4) as one:
        yield one


@contextmanager
def served(log: Path, host: str = "127.0.0.1", files: int | None = None, **settings: int) -> Iterator[Served]:
    """Start the service with settings and, if wanted, a limit of open files."""
    port = free_port()
    own = {f"TRAMWRIGHT_{name}".upper(): str(value) for name, value in settings.items()}
    command = [sys.executable, "-c", COMMAND, "serve", "--host", host, "--port", str(port), "--access", "anyone"]
    if files:
        command = ["sh", "-c", f'ulimit -n {files}; exec "$@"', "sh", *command]

    with log.open("wb") as errors:
        process = subprocess.Popen(
            command,
            stdout=subprocess.DEVNULL,
            stderr=errors,
            env={**os.environ, **own},
        )
    try:
        wait_for(lambda: listens(port) or process.poll() is not None)
        yield Served(port, process, log)
    finally:
        process.kill()
        process.wait(PATIENCE)


def read(client: socket.socket) -> bytes:
    """Everything until the service closes the connection."""
    told = b""
    with suppress(ConnectionResetError):
        while part := client.recv(65536):
            told += part
    return told


def to_the_summary(client: socket.socket) -> bytes:
    """Everything until the last line of a batch."""
    told = b""
    while b'"summary"' not in told:
        part = client.recv(65536)
        assert part, told
        told += part
    return told


def push(client: socket.socket, most: int) -> None:
    """Send on and on, up to a number of bytes."""
    for _ in range(most // 2**16):
        client.sendall(b"x" * 2**16)


@pytest.fixture
def many_files() -> Iterator[None]:
    """Room for six hundred clients in this process."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(before[1], 4096), before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, before)


@pytest.mark.usefixtures("many_files")
@pytest.mark.parametrize("files", [None, 256])
def test_six_hundred_stalled_connections_keep_nobody_out(tmp_path: Path, files: int | None) -> None:
    begun = (b"", b"GET /health/live HT", POST + b"Content-Length: 100000\r\n\r\n{")
    with served(tmp_path / "log", "0.0.0.0", files, header_seconds=3600, body_seconds=3600) as service:
        for sent in begun:
            before = service.closed("crowded out")
            with ExitStack() as stalled:
                for _ in range(600):
                    stalled.enter_context(service.connect()).sendall(sent)
                for _ in range(5):
                    assert service.get() == 200
                    assert service.get("/v1/solvers") == 200
                wait_for(lambda before=before: service.closed("crowded out") >= before + 600 - 256)
        assert bool(service.logged("too few open files")) is (files is not None)
        assert service.logged("listening beyond this host")


def test_a_header_that_does_not_come_whole_is_cut_off_and_logged(service: Served) -> None:
    with service.connect() as silent, service.connect() as slow, service.connect() as blank:
        blank.sendall(b"GET /health/live HTTP/1.1\r\nHost: test\r\n\r\n")
        got = blank.recv(4096)
        while not got.endswith(b"}"):  # header and body may come apart
            got += blank.recv(4096)
        assert got.startswith(b"HTTP/1.1 200")
        end = time.monotonic() + PATIENCE
        told = b""
        slow.setblocking(False)
        slow.send(b"GET /health/live HTTP/1.1\r\n")
        while not told and time.monotonic() < end:  # a byte again and again does not put it off
            with suppress(OSError):
                slow.send(b"X")
                blank.send(b"\r\n")
            time.sleep(0.05)
            with suppress(BlockingIOError):
                told = slow.recv(65536)
        assert told.startswith(b"HTTP/1.1 408")
        assert json.loads(told.partition(b"\r\n\r\n")[2])["type"] == "/docs/problems#cut-off"
        assert read(silent) == b""
        assert read(blank).startswith(b"HTTP/1.1 408")
    wait_for(lambda: service.closed("header late") == 3)


def test_a_body_that_does_not_come_whole_is_cut_off_and_no_fault_of_ours(service: Served) -> None:
    with service.connect() as client:
        client.sendall(POST + b"Content-Length: 1000\r\n\r\n{")
        assert read(client).startswith(b"HTTP/1.1 408")
    wait_for(lambda: service.closed("body late") == 1)
    with service.connect() as client:
        client.sendall(POST + b"X-Request-ID: gone\r\nContent-Length: 1000\r\n\r\n{")
    wait_for(lambda: any(entry["request_id"] == "gone" for entry in service.logged("request")))
    assert {entry["status"] for entry in service.logged("request") if entry["path"] == "/v1/corrections"} == {408}
    assert not service.logged("failed")


def test_an_answer_that_nobody_takes_is_given_up(service: Served) -> None:
    with socket.socket() as client:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        client.connect(("127.0.0.1", service.port))
        client.sendall(b"GET /docs/assets/swagger-ui-bundle.js HTTP/1.1\r\nHost: test\r\n\r\n" * 20)
        wait_for(lambda: service.closed("answer not taken") == 1)
    assert service.get() == 200


def test_where_everybody_is_served_one_more_is_told_to_come_back(tmp_path: Path) -> None:
    with served(tmp_path / "log", connections=8, batches=8) as service, ExitStack() as busy:
        for _ in range(8):
            client = busy.enter_context(service.connect())
            client.sendall(BATCH)
            assert client.recv(65536).startswith(b"HTTP/1.1 200")
        with service.connect() as client:
            told = read(client)
        assert told.startswith(b"HTTP/1.1 503")
        assert b"\r\nretry-after: 1\r\n" in told
        assert json.loads(told.partition(b"\r\n\r\n")[2])["type"] == "/docs/problems#crowded"
        wait_for(lambda: service.closed("turned away") >= 1)


def test_silent_batches_give_their_places_back(service: Served) -> None:
    body = lines(requests(2))
    with ExitStack() as silent:
        for _ in range(4):
            client = silent.enter_context(service.connect())
            client.sendall(BATCH)
            assert client.recv(65536).startswith(b"HTTP/1.1 200")
        wait_for(lambda: len(service.logged("batch ended")) == 4)
        with service.connect() as client:
            client.sendall(BATCH + b"%x\r\n%b\r\n0\r\n\r\n" % (len(body), body))
            told = to_the_summary(client)
    assert told.startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize("announced", [True, False], ids=["announced", "chunked"])
def test_a_client_that_sends_too_much_and_then_reads_is_told_so(service: Served, announced: bool) -> None:
    size = connections.DISCARDED * LARGEST - 2**17
    body: Any = b"x" * size if announced else (b"x" * 2**16 for _ in range(size // 2**16))
    asked = urllib.request.Request(
        f"http://127.0.0.1:{service.port}/v1/corrections", data=body, headers={"Content-Type": "application/json"}
    )
    with pytest.raises(urllib.error.HTTPError) as refused:
        DIRECT.open(asked, timeout=PATIENCE)
    assert refused.value.code == 413
    assert json.load(refused.value)["type"] == "/docs/problems#too-large"


def test_what_nobody_wants_is_thrown_away_up_to_a_bound(service: Served) -> None:
    with service.connect() as client:
        client.sendall(POST + b"Content-Length: 10000000000\r\n\r\n")
        with pytest.raises(ConnectionError):
            push(client, 10 * connections.DISCARDED * LARGEST)
    wait_for(lambda: service.closed("body too large") == 1)


def test_head_and_body_come_in_one_piece_and_a_head_alone_comes_too(service: Served) -> None:
    with service.connect() as client:
        client.sendall(b"GET /health/live HTTP/1.1\r\nHost: test\r\n\r\n")
        whole = client.recv(65536)  # one call: on loopback what is sent in one piece is there in one piece
        client.sendall(b"HEAD /health/live HTTP/1.1\r\nHost: test\r\nConnection: close\r\n\r\n")
        head = read(client)
    announced, body = whole.split(b"\r\n\r\n")
    assert json.loads(body)["status"] == "live"
    length = b"content-length: %d\r\n" % len(body)
    assert (length in announced, length in head, head[-4:]) == (True, True, b"\r\n\r\n")


def test_a_header_without_end_is_refused(service: Served) -> None:
    with service.connect() as client:
        client.sendall(b"GET /health/live HTTP/1.1\r\nX: " + b"x" * (connections.MOST_HEADER + 1))
        assert read(client).startswith(b"HTTP/1.1 400")
    wait_for(lambda: service.closed("header too large") == 1)


def test_an_open_batch_is_no_stalled_connection(service: Served) -> None:
    body = lines(requests(4))
    begun = body.index(b"\n") // 2
    with service.connect() as client:
        client.sendall(BATCH)
        for part in (body[:begun], body[begun:]):
            time.sleep(1.3)  # twice this is longer than any body may take
            client.sendall(b"%x\r\n%b\r\n" % (len(part), part))
        client.sendall(b"0\r\n\r\n")
        told = to_the_summary(client)
    found = b"".join(line + b"\n" for line in told.splitlines() if line.startswith(b'{"id"'))
    assert [one["id"] for one in answers(found)] == [f"survey-{n}" for n in range(4)]


def test_the_end_is_told_to_clients_and_every_line_of_the_log_is_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MPLCONFIGDIR", str(tmp_path))  # it is empty: the library that draws maps has something to say
    asked = b"GET /health/live HTTP/1.1\r\nHost: test\r\n\r\n"
    body = json.dumps(examples.corrections()["tilted-bed"]).encode()
    begun = POST + b"Accept: image/svg+xml\r\nContent-Length: %d\r\n\r\n" % len(body) + body[:-1]
    with served(tmp_path / "log") as service:
        assert service.get("/openapi.json") == 200
        with service.connect() as client:
            client.sendall(b"this is no HTTP\r\n\r\n")
            told = read(client)
            assert told.startswith(b"HTTP/1.1 400")
            assert json.loads(told.partition(b"\r\n\r\n")[2])["status"] == 400
        with service.connect() as idle, service.connect() as sending:
            for client in (idle, sending):
                client.sendall(asked)
                told = b""
                while not told.endswith(b"}"):
                    told += client.recv(65536)
                assert b"connection: close" not in told
            sending.sendall(begun)
            time.sleep(0.3)
            service.process.send_signal(signal.SIGTERM)
            idle.sendall(asked)
            told = read(idle)
            assert not told or b"\r\nconnection: close\r\n" in told
            sending.sendall(body[-1:])
            told = read(sending)
        assert told.startswith(b"HTTP/1.1 200")
        assert b"\r\nconnection: close\r\n" in told
        assert service.process.wait(PATIENCE) == -signal.SIGTERM
        entries = [json.loads(line) for line in service.log.read_bytes().splitlines()]
    assert {"Invalid HTTP request received.", "request"} <= {entry["event"] for entry in entries}
    assert all(entry["timestamp"] and entry["level"] for entry in entries)
    assert not [entry for entry in entries if entry["event"] == "listening beyond this host"]


def test_idle_it_ends_soon_after_the_interrupt_key(tmp_path: Path) -> None:
    """Measured: 0.6 to 0.9 s, and two are promised. Here it is held only that nobody's patience is waited out."""
    with served(tmp_path / "log") as service:
        with service.connect() as silent, service.connect() as kept, service.connect() as begun:
            kept.sendall(b"GET /health/live HTTP/1.1\r\nHost: test\r\n\r\n")
            assert kept.recv(100).startswith(b"HTTP/1.1 200")
            begun.sendall(b"POST /v1/corr")
            time.sleep(0.3)
            service.process.send_signal(signal.SIGINT)
            at = time.monotonic()
            assert service.process.wait(PATIENCE) == 130
            spent = time.monotonic() - at
            assert silent.recv(1) == b""
        assert not service.logged("ending")
    assert spent < serving.ENDING / 2


def test_it_says_what_it_waits_for_and_a_second_interrupt_ends_it(tmp_path: Path) -> None:
    with served(tmp_path / "log") as service, service.connect() as half, service.connect() as batch:
        half.sendall(POST + b"Content-Length: 100\r\n\r\n{")
        batch.sendall(BATCH)
        assert batch.recv(100).startswith(b"HTTP/1.1 200")
        service.process.send_signal(signal.SIGINT)
        wait_for(lambda: bool(service.logged("ending")))
        (told, *_) = service.logged("ending")
        assert told["POST /v1/corrections: its body"] == 1
        assert told["POST /v1/corrections/batch: its answer or its end"] == 1
        assert 0 < told["most_seconds"] <= serving.ENDING
        service.process.send_signal(signal.SIGINT)
        assert service.process.wait(PATIENCE) == 130
