"""`tramwright demo` as a process: one command, nothing that is there is touched, nothing temporary is left."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from processes import COMMAND, PATIENCE, free_port, listens, wait_for

GUIDE = Path(__file__).parents[2] / "openapi/guides/farm.md"


@contextmanager
def started(folder: Path, port: int, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    """The command as a process, with a place of its own for what is temporary."""
    (folder / "temporary").mkdir(exist_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, "demo", "--port", str(port), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env={**os.environ, "TMPDIR": str(folder / "temporary"), "no_proxy": "127.0.0.1"},
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def ended(process: subprocess.Popen[bytes]) -> str:
    return process.communicate(timeout=PATIENCE)[0].decode()


def temporary(folder: Path) -> list[str]:
    return [path.name for path in (folder / "temporary").iterdir()]


@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed on this host")
@pytest.mark.parametrize(("ending", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 143)])
def test_it_serves_what_it_says_and_leaves_nothing(tmp_path: Path, ending: signal.Signals, status: int) -> None:
    port = free_port()
    with started(tmp_path, port) as process:
        wait_for(lambda: process.poll() is not None or listens(port))
        assert [name.startswith("tramwright-demo-") for name in temporary(tmp_path)] == [True]
        guide = GUIDE.read_text().replace(":8017", f":{port}")
        if ending == signal.SIGINT:
            try_all(guide.partition("tramwright demo\n```\n")[2].partition("```\n\n")[0], tmp_path)
        process.send_signal(ending)
        assert re.sub(r"in /\S+\.db", "in …", ended(process)) in guide
        assert (process.returncode, temporary(tmp_path)) == (status, [])


def try_all(told: str, folder: Path) -> None:
    """Open and ask what it says can be opened and asked."""
    addresses = re.findall(r"^  (http\S+)", told, re.MULTILINE)
    commands = re.findall(r"^  (curl -s .*)", told, re.MULTILINE)
    [stream, begin] = re.findall(r"^  curl -sN (\S+) -H 'Last-Event-ID: (\d+)'", told, re.MULTILINE)[0]
    with httpx.stream("GET", stream, headers={"Last-Event-ID": begin}) as events:
        first = next(line for line in events.iter_lines() if line.startswith("event:"))
    assert first == "event: tramwright.machine.stored"
    assert len(addresses) == 3
    assert len(commands) >= 4
    for address in addresses:
        assert httpx.get(address, follow_redirects=True).status_code == 200
    for command in commands:
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", command.replace("curl -s", "curl -sf")],
            cwd=folder,
            env={**os.environ, "no_proxy": "127.0.0.1"},
            capture_output=True,
            timeout=PATIENCE,
            check=False,
        )
        assert done.returncode == 0, command
        assert done.stdout or (folder / shlex.split(command)[-1]).stat().st_size > 1000


def test_a_store_that_is_there_is_not_touched(tmp_path: Path) -> None:
    there = tmp_path / "farm.db"
    there.write_bytes(b"dear to somebody")
    with started(tmp_path, free_port(), "--store", str(there)) as process:
        assert "it is there already, and is left as it is" in ended(process)
        assert (process.returncode, there.read_bytes(), temporary(tmp_path)) == (2, b"dear to somebody", [])
    with started(tmp_path, free_port(), "--store", str(tmp_path / "nowhere" / "farm.db")) as process:
        assert "No such file or directory" in ended(process)
        assert process.returncode == 2


def test_a_store_of_its_own_stays_once_it_is_whole(tmp_path: Path) -> None:
    port, store = free_port(), tmp_path / "year.db"
    with started(tmp_path, port, "--store", str(store)) as process:
        wait_for(store.exists)
        process.send_signal(signal.SIGTERM)  # before it is filled: what is not whole does not stay
        assert "Open" not in ended(process)
        assert [path.name for path in tmp_path.iterdir()] == ["temporary"]
    with started(tmp_path, port, "--store", str(store)) as process:
        wait_for(lambda: process.poll() is not None or listens(port))
        process.send_signal(signal.SIGINT)
        assert f"in {store}." in ended(process)
    check = [sys.executable, "-c", COMMAND, "store", "check", "--store", str(store)]
    assert subprocess.run(check, capture_output=True, check=True, timeout=PATIENCE).stdout == b"whole\n"
    assert store.stat().st_size > 100_000
