"""Keys in real services: none beyond this host without them, a revoked one ends everywhere, and no log tells one."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

import stores
from farm_payloads import machine, survey
from keyed import bearing, command, made, of_each_scope
from processes import COMMAND, PATIENCE, free_port, listens, served, wait_for
from tramwright_service.farm.keys import OLDEST

FLEET = "/v1/fleet"


def ask(port: int, path: str, headers: dict[str, str], method: str = "GET", body: bytes | None = None) -> int:
    """The status of one request."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
    try:
        connection.request(method, path, body, headers)
        return connection.getresponse().status
    finally:
        connection.close()


@contextmanager
def serving(log: Path, *options: str) -> Iterator[int]:
    """The command as it is started by hand; what it logs goes into a file."""
    port = free_port()
    with log.open("wb") as file:
        begun = [sys.executable, "-c", COMMAND, "serve", "--port", str(port), *options]
        process = subprocess.Popen(begun, stdout=file, stderr=file)
        try:
            wait_for(lambda: listens(port) or process.poll() is not None)
            assert process.poll() is None, log.read_text()
            yield port
        finally:
            process.terminate()
            process.wait(PATIENCE)


def refused(*options: str) -> str:
    """What the command says that does not start."""
    begun = [sys.executable, "-c", COMMAND, "serve", "--port", "0", *options]
    ended = subprocess.run(begun, capture_output=True, text=True, timeout=PATIENCE, check=False)
    assert ended.returncode == 2, ended.stderr
    return ended.stderr


def test_beyond_this_host_nothing_starts_without_keys_unless_it_is_told_to(tmp_path: Path) -> None:
    where = stores.ready(str(tmp_path / "farm.db"))
    everywhere, stored = ("--host", "0.0.0.0"), ("--store", where)
    for options in (everywhere, (*everywhere, *stored), ("--access", "keys"), ("--access", "keys", *stored)):
        says = refused(*options)
        assert "tramwright keys add" in says
        assert "--access anyone" in says
        assert ("other hosts" in says) is ("--host" in options)
    with serving(tmp_path / "told.log", *everywhere, "--access", "anyone") as port:
        assert ask(port, "/v1/solvers", {}) == 200
    assert "may read and change everything" in (tmp_path / "told.log").read_text()
    key = made(where, "dashboard")
    with serving(tmp_path / "keys.log", *everywhere, *stored) as port:
        assert ask(port, FLEET, {}) == 401
        assert ask(port, FLEET, bearing(key)) == 200
        assert ask(port, "/health/ready", {}) == 200
    assert "keys neither" in (tmp_path / "keys.log").read_text()
    with serving(tmp_path / "here.log", *stored) as port:
        assert ask(port, FLEET, {}) == 200
    with serving(tmp_path / "proxied.log", *stored, "--access", "keys") as port:
        assert ask(port, FLEET, {}) == 401


def test_a_page_whose_name_leads_here_reads_nothing(tmp_path: Path) -> None:
    there = {"Host": "page.example:8017"}
    stored = ("--store", str(tmp_path / "farm.db"))
    with serving(tmp_path / "here.log", *stored) as port:
        assert ask(port, FLEET, {}) == 200
        assert ask(port, FLEET, there) == 403
        body = json.dumps(machine()).encode()
        assert ask(port, "/v1/machines/kestrel", {**there, "Content-Type": "application/json"}, "PUT", body) == 403
    with serving(tmp_path / "told.log", *stored, "--access", "anyone") as port:  # as behind a proxy
        assert ask(port, FLEET, there) == 200


@pytest.mark.parametrize("kind", stores.KINDS)
def test_a_key_that_is_revoked_while_in_use_ends_in_two_processes(kind: str, tmp_path: Path) -> None:
    where = stores.ready(stores.fresh(kind, tmp_path))
    key, other = made(where, "dashboard"), made(where, "other")
    with ExitStack() as opened:
        ports = [opened.enter_context(served(store=where, access="keys", rate="0", log_level="error")) for _ in "ab"]
        for port in ports:
            assert ask(port, FLEET, bearing(key)) == 200
        later = made(where, "later")  # while they run
        wait_for(lambda: all(ask(port, FLEET, bearing(later)) == 200 for port in ports))
        assert command("revoke", "dashboard", "--store", where).exit_code == 0
        revoked = time.monotonic()
        last = dict.fromkeys(ports, revoked)
        while (now := time.monotonic()) < revoked + OLDEST + 3.0:
            for port in ports:
                status = ask(port, FLEET, bearing(key))
                assert status in (200, 401)
                if status == 200:
                    last[port] = now
                assert ask(port, FLEET, bearing(other)) == 200
            time.sleep(0.05)
        assert max(last.values()) <= revoked + OLDEST


def test_a_batch_that_outlives_its_key_is_cut_off(tmp_path: Path) -> None:
    where = stores.ready(str(tmp_path / "farm.db"))
    key = made(where, "post", "--scope", "submit")
    line = b'{"id": "a", "machine": "nobody", "survey": {"readings": []}}\n'
    with ExitStack() as opened:
        port = opened.enter_context(served(store=where, access="keys", log_level="error"))
        one = opened.enter_context(socket.create_connection(("127.0.0.1", port), PATIENCE))
        head = [
            "POST /v1/corrections/batch HTTP/1.1", "Host: here", f"Authorization: Bearer {key}",
            "Content-Type: application/x-ndjson", "Transfer-Encoding: chunked", "", "",
        ]  # fmt: skip
        one.sendall("\r\n".join(head).encode())
        heard = b""

        def asked() -> bytes:
            nonlocal heard
            one.sendall(b"%x\r\n%s\r\n" % (len(line), line))
            time.sleep(0.2)
            heard += one.recv(65536)
            return heard

        wait_for(lambda: b'"id":"a"' in asked())
        assert heard.startswith(b"HTTP/1.1 200 OK")
        command("revoke", "post", "--store", where)
        wait_for(lambda: asked().endswith(b"\r\n0\r\n\r\n"))
        assert b"summary" not in heard


def test_no_log_tells_a_key_or_what_was_sent(tmp_path: Path) -> None:
    where = stores.ready(str(tmp_path / "farm.db"))
    keys = of_each_scope(where)
    key, secret = keys["manage"], "whsec_" + "c2VjcmV0"
    own = {**bearing(key), "content-type": "application/json"}
    payload = {**machine(), "site": "only-in-the-body"}
    with serving(tmp_path / "log", "--store", where, "--access", "keys") as port:

        def send(method: str, path: str, body: Any = None, **headers: str) -> int:
            sent = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
            return ask(
                port, path, {**own, **{name.replace("_", "-"): text for name, text in headers.items()}}, method, sent
            )

        assert send("PUT", "/v1/machines/kestrel", payload) == 201
        assert send("POST", "/v1/machines/kestrel/surveys", survey(0.1), idempotency_key=key) == 201
        assert send("GET", f"/v1/fleet?key={key}&site={secret}") == 200
        assert send("GET", f"/v1/machines/{key}") == 404
        assert send("GET", f"/v1/machines/{secret}") == 404
        assert send("GET", FLEET, x_request_id=key, cookie=f"a={key}", user_agent=key, referer=f"/{key}") == 200
        assert send("POST", f"/{key}", {key: key}) == 404
        assert send("POST", "/v1/corrections", {key: "only-in-the-body"}) == 422
        assert send("POST", "/v1/corrections", f'{{"{key}'.encode()) == 400
        assert send("GET", FLEET, authorization=f"Bearer {key[:-1]}") == 401
        assert send("GET", FLEET, authorization=f"Basic {key}") == 401
        assert send("GET", FLEET, authorization=key) == 401
        assert send(
            "POST", "/v1/corrections/batch", f'{{"id":"{key}"}}\n'.encode(), content_type="application/x-ndjson"
        )
        assert ask(port, "/v1/machines/kestrel", bearing(keys["read"]), "DELETE") == 403
        metrics = http.client.HTTPConnection("127.0.0.1", port)
        metrics.request("GET", "/metrics", headers=own)
        measured = metrics.getresponse().read().decode()
        metrics.close()
    written = (tmp_path / "log").read_text()
    for text in (written, measured):
        for one in (*keys.values(), secret):
            assert one not in text
            assert one.split("_", 2)[-1][:12] not in text  # a secret may have an underscore of its own
        assert "only-in-the-body" not in text
    lines = [json.loads(line) for line in written.splitlines() if '"request"' in line]
    assert [
        (line["key"], line["scope"], line["status"]) for line in lines if line["path"] == "/v1/machines/kestrel"
    ] == [
        ("manage", "manage", 201),
        ("read", "read", 403),
    ]
    assert [line["path"] for line in lines if "twk_" in line["path"]] == ["/v1/machines/twk_...", "/twk_..."]
    assert all("key" not in line for line in lines if line["status"] == 401)
