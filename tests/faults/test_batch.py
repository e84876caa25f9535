"""Processes killed in the middle of a batch: after another run every survey has exactly one answer."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import msgspec
import pytest

from batch_lines import answers, lines, requests
from processes import COMMAND, PATIENCE, cluster, free_port, joined, served, wait_for
from tramwright_service.batch.engines import local
from tramwright_service.batch.engines.local import TRIES, LocalEngine
from tramwright_service.batch.splitter import Chunk
from tramwright_solvers.correction.cost import Most
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import Registry, build

COUNT = 800
IN_EACH = 4
"""Small files, so that the middle of a run is easily met."""


@pytest.fixture(scope="module")
def surveys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("in") / "surveys.ndjson"
    path.write_bytes(lines(requests(COUNT)))
    return path


@pytest.fixture(scope="module")
def right(surveys: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The answers of a run that nothing disturbs."""
    out = tmp_path_factory.mktemp("right")
    assert ended(start(surveys, out))[0] == 0
    return result(out)


def pids_of(engine: LocalEngine) -> list[int]:
    """Ids of the engine's processes as they are now."""
    return [worker.process.pid for worker in engine._workers]


def start(surveys: Path, out: Path, *more: str, first: str = "") -> subprocess.Popen[bytes]:
    """Start the command as a process, ``first`` being run in it before."""
    command = [sys.executable, "-c", first + COMMAND, "batch", str(surveys), "--out", str(out), "--detail", "full"]
    return subprocess.Popen(
        [*command, "--lines-per-file", str(IN_EACH), "--workers", "2", *more],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )


def ended(process: subprocess.Popen[bytes]) -> tuple[int, str]:
    """Wait for a process; return its exit status and what it told on standard error."""
    _, told = process.communicate(timeout=PATIENCE)
    return process.returncode, told.decode()


def files(out: Path) -> list[Path]:
    return sorted(out.glob("*.ndjson"))


def result(out: Path) -> bytes:
    """All answers, in the order of the lines."""
    return b"".join(path.read_bytes() for path in files(out))


def under_way(out: Path) -> None:
    """Wait until some files are finished and make sure that others are not."""
    wait_for(lambda: len(files(out)) >= 10)
    assert len(files(out)) < COUNT // IN_EACH


def children(pid: int) -> list[int]:
    return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def alive(pid: int) -> bool:
    try:
        return " Z " not in Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False


def test_a_worker_killed_in_the_middle_costs_nothing(surveys: Path, right: bytes, tmp_path: Path) -> None:
    process = start(surveys, tmp_path)
    for _ in range(3):
        under_way(tmp_path)
        wait_for(lambda: bool(children(process.pid)))
        os.kill(children(process.pid)[0], signal.SIGKILL)
    assert ended(process)[0] == 0
    assert result(tmp_path) == right


@pytest.mark.parametrize(
    ("ended_by", "status"), [(signal.SIGKILL, -9), (signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=str
)
def test_the_command_ended_in_the_middle_goes_on_where_it_was(
    surveys: Path, right: bytes, tmp_path: Path, ended_by: signal.Signals, status: int
) -> None:
    process = start(surveys, tmp_path)
    under_way(tmp_path)
    workers = children(process.pid)
    process.send_signal(ended_by)
    assert ended(process)[0] == status
    wait_for(lambda: not any(map(alive, workers)))
    finished = {path.name: path.stat().st_mtime_ns for path in files(tmp_path)}
    assert 0 < len(finished) < COUNT // IN_EACH
    assert ended(start(surveys, tmp_path))[0] == 0
    assert result(tmp_path) == right
    kept = {path.name: path.stat().st_mtime_ns for path in files(tmp_path) if path.name in finished}
    assert kept == finished
    assert [entry["line"] for entry in answers(result(tmp_path))] == list(range(1, COUNT + 1))


def test_the_scheduler_killed_in_the_middle_is_told_and_another_run_does_the_rest(
    surveys: Path, right: bytes, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    port, scratch = free_port(), str(tmp_path_factory.mktemp("dask"))
    engine = ("--engine", f"dask://127.0.0.1:{port}")
    with cluster(port, scratch) as scheduler:
        joined(port)
        process = start(surveys, tmp_path, *engine)
        under_way(tmp_path)
        scheduler.kill()
        status, told = ended(process)
        assert status == 1, told
        assert "is gone" in told
        assert "Traceback" not in told
    assert 0 < len(files(tmp_path)) < COUNT // IN_EACH
    with cluster(port, scratch):
        joined(port)
        status, told = ended(start(surveys, tmp_path, *engine))
        assert status == 0, told
    assert result(tmp_path) == right


def test_no_scheduler_at_the_address_is_told(surveys: Path, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    soon = "from tramwright_service.batch.engines import dask; dask.CONNECT = 0.2; "
    process = start(surveys, tmp_path, "--engine", f"dask://127.0.0.1:{free_port()}", first=soon)
    status, told = ended(process)
    assert status == 1, told
    assert "No dask scheduler answers" in told
    assert "Traceback" not in told


def test_a_line_that_kills_every_worker_becomes_a_problem(monkeypatch: pytest.MonkeyPatch) -> None:
    import deadly

    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(Path(deadly.__file__).parent), *sys.path]))
    solvers = {kind.name(): kind for kind in (*BUILT_IN, deadly.Deadly)}
    registry = Registry(MappingProxyType(solvers), MappingProxyType(dict.fromkeys(solvers, "a test")))

    async def ask() -> tuple[bytes, list[bytes], set[int]]:
        engine, pids = LocalEngine(1, registry), set[int]()
        good = [Chunk(1, "verdict", [msgspec.json.encode(one)]) for one in requests(4)]
        bad = Chunk(9, "verdict", [msgspec.json.encode(requests(1)[0] | {"solve": {"with": [{"solver": "deadly"}]}})])
        asked = [asyncio.ensure_future(engine.answer(chunk)) for chunk in (good[0], bad, *good[1:])]
        while not all(task.done() for task in asked):
            pids |= set(pids_of(engine))
            await asyncio.sleep(0.01)
        await engine.close()
        first, killed, *others = [task.result().body for task in asked]
        return killed, [first, *others], pids

    killed, others, pids = asyncio.run(ask())
    (entry,) = answers(killed)
    assert entry["line"] == 9
    assert entry["id"] == "survey-0"
    assert entry["problem"]["status"] == 500
    assert len(pids) > TRIES - 1
    assert [entry["id"] for body in others for entry in answers(body)] == [f"survey-{n}" for n in range(4)]
    assert all("verdict" in entry for body in others for entry in answers(body))


def test_a_client_gone_in_the_middle_frees_its_place_and_can_begin_again() -> None:
    body = lines(requests(400))
    head = (
        b"POST /v1/corrections/batch?detail=verdict HTTP/1.1\r\nHost: test\r\nConnection: close\r\n"
        b"Content-Type: application/x-ndjson\r\nContent-Length: %d\r\n\r\n" % len(body)
    )
    with served(batches="1") as port:
        with socket.create_connection(("127.0.0.1", port)) as client:
            client.sendall(head + body[: len(body) // 2])
            assert client.recv(100).startswith(b"HTTP/1.1 200")
        told = b""

        def taken() -> bool:
            nonlocal told
            with socket.create_connection(("127.0.0.1", port)) as client:
                client.sendall(head)
                told = client.recv(65536)
                if told.startswith(b"HTTP/1.1 503"):
                    return False
                client.sendall(body)
                told += b"".join(iter(lambda: client.recv(65536), b""))
            return True

        wait_for(taken)  # the service may take a moment to see that the other one has gone
    assert told.startswith(b"HTTP/1.1 200")
    found = [line for line in told.splitlines() if line.startswith(b'{"id"')]
    assert [msgspec.json.decode(line)["id"] for line in found] == [f"survey-{n}" for n in range(400)]


def test_work_that_nobody_waits_for_is_ended_and_costs_nobody_else(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local, "GRACE", 0.3)
    # Two hundred searches: far longer work than a worker is given once nobody waits for it.
    slow = Chunk(1, "verdict", [msgspec.json.encode(one) for one in requests(200, "shimmed-rails")])
    quick = Chunk(1, "verdict", [msgspec.json.encode(one) for one in requests(3)])

    async def ask() -> tuple[bytes, list[int], list[int]]:
        # A request may take so long here that all two hundred are answered in one go.
        engine = LocalEngine(1, build(BUILT_IN), most=Most(3600.0, 2.0**30))
        await engine.answer(quick)
        before = pids_of(engine)
        left = asyncio.ensure_future(engine.answer(slow))
        await asyncio.sleep(0.1)
        behind = asyncio.ensure_future(engine.answer(quick))
        await asyncio.sleep(0.1)
        left.cancel()
        async with asyncio.timeout(PATIENCE):
            answered = await behind
        after = pids_of(engine)
        await engine.close()
        return answered.body, before, after

    body, before, after = asyncio.run(ask())
    assert [entry["id"] for entry in answers(body)] == ["survey-0", "survey-1", "survey-2"]
    assert all("verdict" in entry for entry in answers(body))
    assert before != after
    assert not any(map(alive, before + after))


def test_the_registry_of_a_worker_is_that_of_who_starts_it() -> None:
    registry = build(BUILT_IN[:1])

    async def ask() -> bytes:
        engine = LocalEngine(1, registry)
        request = requests(1)[0] | {"solve": {"with": [{"solver": "rail-shim"}]}}
        answered = await engine.answer(Chunk(1, "verdict", [msgspec.json.encode(request)]))
        await engine.close()
        return answered.body

    (entry,) = answers(asyncio.run(ask()))
    assert f"Installed: `{next(iter(registry.solvers))}`." in entry["problem"]["detail"]
