"""Lines that raise and lines that kill who answers them: each is refused alone, and all others get their answers."""

from __future__ import annotations

import asyncio
import os
import sys
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

import deadly
from batch_lines import answers, cut_all, requests
from processes import cluster, free_port, joined
from tramwright_service.batch import answerer
from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.engines import local
from tramwright_service.batch.engines.base import EngineLost
from tramwright_service.batch.splitter import Chunk
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.plug_ins.described import announced
from tramwright_solvers.mechanisms.registry import GROUP, Registry, build

KILLED_BY = """
import os
from tramwright_service.batch.answerer import LineAnswerer
begin = LineAnswerer.begin
LineAnswerer.begin = lambda self, chunk: os._exit(3) if b"killer" in b"".join(chunk.lines) else begin(self, chunk)
"""
"""What a worker runs at its start that dies over a line, as over a fault in a compiled library."""
MOST = 2**20
COUNT = 300
KILLING = {0: "deadly", 77: "deadly", 78: "deadly", 240: "deadly", 299: "deadly"}
RAISING = {5: "raising", 79: "raising", 130: "raising"}
MISQUOTED = {33: "m'm", 260: "`'\"` - at `$.machine"}
HOSTILE = {**KILLING, **RAISING, **MISQUOTED}
STATUS = dict.fromkeys(MISQUOTED, 422) | dict.fromkeys(RAISING, 502)
"""How each is refused; one that kills its worker, as the service's own failure where workers have plug-ins in them."""
ENTRIES = [EntryPoint(name.lower(), f"deadly:{name}", GROUP) for name in ("Deadly", "Raising")]


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch) -> Registry:
    """The built-in solvers and two that misbehave, which worker processes find as well."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(Path(deadly.__file__).parent), *sys.path]))
    return build(BUILT_IN, ENTRIES)


def batch(hostile: bool) -> bytes:
    """Lines of two machines, mostly by their names, with hostile ones in between or nothing in their place."""
    first, *others = requests(COUNT - 4)
    frame, *more = requests(4, "twisted-frame")
    entries: list[Any] = [first, frame, *({**one, "machine": first["machine"]["id"]} for one in others)]
    entries += [{**one, "machine": frame["machine"]["id"]} for one in more]
    assert len(entries) == COUNT
    entries[1], entries[0], entries[2], entries[3] = first, others[0], frame, others[1]
    for at, how in HOSTILE.items():
        if at in MISQUOTED:
            entries[at] = {**first, "machine": first["machine"] | {"id": "stray", "units": how}}
        else:
            entries[at] = {**first, "solve": {"with": [{"solver": how}]}}
        if not hostile:
            entries[at] = b""
    return b"\n".join(one if isinstance(one, bytes) else msgspec.json.encode(one) for one in entries)


def in_place(told: bytes, registry: Registry, killed: int = 500) -> None:
    """Check that the hostile lines are refused and that the others have the bytes of a batch without them."""
    found = told.splitlines()
    assert len(found) == COUNT
    (quiet,) = cut_all(iter([batch(hostile=False)]), "moves", MOST, COUNT)
    right = LineAnswerer(registry).answer(quiet)
    assert right.tally.answered == COUNT - len(HOSTILE)
    assert [line for at, line in enumerate(found) if at not in HOSTILE] == right.body.splitlines()
    for at in HOSTILE:
        refused = msgspec.json.decode(found[at])
        assert (refused["line"], refused["problem"]["status"]) == (at + 1, STATUS.get(at, killed))


def test_a_batch_with_ten_hostile_lines_answers_all_others(registry: Registry) -> None:
    app = create_app(Settings(log_level="error", workers=2), registry.built_in(), plug_ins=announced(ENTRIES))
    with TestClient(app) as client:
        told = client.post(
            "/v1/corrections/batch", content=batch(hostile=True), headers={"Content-Type": "application/x-ndjson"}
        ).content
    *_, last = answers(told)
    assert (last["summary"]["answered"], last["summary"]["problems"]) == (COUNT - 10, 10)
    in_place(told[: told.rindex(b"\n", 0, -1) + 1], registry, killed=502)


def test_a_deadly_line_costs_few_workers(registry: Registry, monkeypatch: pytest.MonkeyPatch) -> None:
    started = 0
    start = local._Worker.start

    async def counted(known: bytes) -> local._Worker:
        nonlocal started
        started += 1
        return await start(known)

    monkeypatch.setattr(local._Worker, "start", counted)
    (whole,) = cut_all(iter([batch(hostile=True)]), "moves", MOST, COUNT)

    async def ask() -> bytes:
        engine = local.LocalEngine(2, registry)
        answered = await engine.answer(whole)
        await engine.close()
        return answered.body

    in_place(asyncio.run(ask()), registry)
    # 300 lines, then parts of 19, of 2 and of 1: at most one worker each time, and one for each place at the end
    assert started <= 1 + 3 * len(KILLING) + 2


def test_a_fault_in_reading_one_line_is_that_lines_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    registry = build(BUILT_IN)
    body = b"\n".join(map(msgspec.json.encode, requests(20)))
    (chunk,) = cut_all(iter([body]), "moves", MOST, 20)
    right = LineAnswerer(registry).answer(chunk).body.splitlines()
    lines = LineAnswerer(registry)
    take = lines._reader.read

    def broken(line: bytes, described: bytes | None = None) -> Any:
        if b'"survey-7"' in line:
            raise ZeroDivisionError
        return take(line, described)

    monkeypatch.setattr(lines._reader, "read", broken)
    found = lines.answer(chunk)
    assert (found.tally.answered, found.tally.problems) == (19, 1)
    told = found.body.splitlines()
    assert msgspec.json.decode(told.pop(7))["problem"]["status"] == 500
    del right[7]
    assert told == right


def test_workers_that_cannot_begin_are_told_of_and_not_started_without_end(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(path for path in sys.path if "tests" not in Path(path).parts))

    async def ask() -> None:
        engine = local.LocalEngine(1, registry)
        asked = [engine.answer(Chunk(1, "moves", [msgspec.json.encode(one)])) for one in requests(3)]
        told = await asyncio.gather(*asked, return_exceptions=True)
        await engine.close()
        assert all(isinstance(one, EngineLost) for one in told), told

    asyncio.run(ask())


def test_a_cluster_refuses_a_deadly_line_alone(registry: Registry, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    from tramwright_service.batch.engines.dask import DaskEngine

    (tmp_path / "sitecustomize.py").write_text(KILLED_BY)
    path = os.pathsep.join([str(tmp_path), os.environ["PYTHONPATH"]])
    asked = requests(6)
    asked[2]["id"] = "killer"
    chunk = Chunk(1, "moves", [msgspec.json.encode(one) for one in asked])
    port = free_port()

    async def ask() -> bytes:
        engine = await DaskEngine.at(f"127.0.0.1:{port}", build(BUILT_IN))
        try:
            return (await engine.answer(chunk)).body
        finally:
            await engine.close()

    once = {"PYTHONPATH": path, "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
    with cluster(port, str(tmp_path / "dask"), "--nanny", **once):
        joined(port)
        told = answers(asyncio.run(ask()))
    assert [one["line"] for one in told] == [1, 2, 3, 4, 5, 6]
    assert [one["line"] for one in told if "problem" in one] == [3]
    assert answerer.DEADLY in told[2]["problem"]["detail"]
