"""Files of surveys that a running service answers: the same files as without it, whatever happens on the way."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import pytest

import farm_payloads
from batch_lines import lines, requests
from processes import COMMAND, PATIENCE, free_port, listens, run, served, started, wait_for
from tramwright_service.batch.engines.service import MOST_BYTES, exchanges
from tramwright_service.batch.splitter import Splitter

MIXED: list[Any] = [
    *requests(40),
    b"",
    b'{"id": "cut off", "machine": ',
    {"id": "nobody", "machine": "no such machine", "survey": {"readings": []}},
    *({**one, "machine": one["machine"]["id"]} for one in requests(60, seed=4)),
    b'{"id": "long", "pad": "' + b"x" * 3 * 2**20 + b'"}',
    b"   ",
    # another machine under the same name, from here on
    *requests(3, "shimmed-rails"),
    {**requests(1)[0], "machine": {**requests(1)[0]["machine"], "limit": {"total": 0.5}}},
    *({**one, "id": None, "machine": one["machine"]["id"]} for one in requests(60, seed=5)),
    {"id": '\u2028 \u00e9 " \\', **{name: value for name, value in requests(1)[0].items() if name != "id"}},
]


@pytest.mark.parametrize(
    ("detail", "to", "each"), [("full", "ndjson", 7), ("moves", "ndjson", 1000), ("verdict", "csv", 50)]
)
def test_a_batch_is_the_same_files(url: str, tmp_path: Path, detail: str, to: str, each: int) -> None:
    surveys = tmp_path / "surveys.ndjson"
    surveys.write_bytes(lines(MIXED))
    how = ["batch", surveys, "--detail", detail, "--to", to, "--lines-per-file", str(each)]
    alone, asked = run(*how, "--out", tmp_path / "alone"), run(*how, "--out", tmp_path / "asked", "--url", url)
    assert (asked.exit_code, alone.exit_code) == (2, 2)
    assert asked.stdout.replace("asked", "alone") == alone.stdout
    names = {path.relative_to(tmp_path / "alone") for path in (tmp_path / "alone").rglob("*.*") if path.is_file()}
    assert names == {
        path.relative_to(tmp_path / "asked") for path in (tmp_path / "asked").rglob("*.*") if path.is_file()
    }
    assert len(names) >= 3
    for name in names:
        assert (tmp_path / "asked" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()


def test_what_is_sent_at_a_time_is_bounded() -> None:
    cutter = Splitter("moves", 2**21)
    cutter.feed(lines(MIXED))
    chunk = cutter.cut(len(MIXED))
    assert chunk is not None
    parts = list(exchanges(chunk))
    assert [line for part in parts for line in part.lines] == chunk.lines
    assert [one.first + len(one.lines) for one in parts[:-1]] == [after.first for after in parts[1:]]
    sizes = [sum(len(line) + 1 for line in [*part.lines, *part.machines]) for part in parts]
    assert max(sizes) <= MOST_BYTES
    assert all(one + after > MOST_BYTES for one, after in pairwise(sizes))
    big = Splitter("moves", 2**21)
    big.feed(b"x" * MOST_BYTES + b"\nsmall\n")
    whole = big.cut(9)
    assert whole is not None
    assert [len(part.lines) for part in exchanges(whole)] == [1, 1]


def test_engine_and_service_are_not_both_given(url: str, tmp_path: Path) -> None:
    surveys = tmp_path / "s.ndjson"
    surveys.write_bytes(lines(requests(1)))
    for more in (["--workers", "1"], ["--engine", "dask://127.0.0.1:1"]):
        assert run("batch", surveys, "--out", tmp_path, "--url", url, *more).exit_code == 2


def test_a_line_may_name_a_machine_that_the_service_has_and_what_changed_there_is_asked_again(
    url: str, tmp_path: Path
) -> None:
    surveys, out = tmp_path / "surveys.ndjson", tmp_path / "out"
    surveys.write_bytes(lines([{"id": "monday", "machine": "dunlin", **farm_payloads.survey()}]))

    def told(*more: str) -> Any:
        ended = run("batch", surveys, "--out", out, *more)
        [file] = files(out)
        return ended.exit_code, json.loads(file.read_bytes())

    asked = ("--url", url)
    assert told(*asked)[0] == 2
    for limit in (0.1, 0.5):
        described = {**farm_payloads.machine()["machine"], "limit": {"total": limit}}
        put = {"content": json.dumps({"machine": described}), "headers": {"content-type": "application/json"}}
        assert httpx.put(f"{url}/v1/machines/dunlin", **put).status_code in (200, 201)
        status, answer = told(*asked)
        assert (status, answer["verdict"]["limit"]) == (0, limit)
    assert "describes a machine" in told()[1]["problem"]["detail"]
    assert httpx.delete(f"{url}/v1/machines/dunlin").status_code == 204


COUNT, IN_EACH = 400, 4


def start(surveys: Path, out: Path, port: int) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-c", COMMAND, "batch", str(surveys), "--out", str(out), "--detail", "full"]
    return subprocess.Popen(
        [*command, "--lines-per-file", str(IN_EACH), "--url", f"http://127.0.0.1:{port}"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env={**os.environ, "no_proxy": "127.0.0.1"},
    )


def files(out: Path) -> list[Path]:
    return sorted(out.glob("*.ndjson"))


def test_a_service_killed_in_the_middle_is_told_and_the_same_command_does_the_rest(tmp_path: Path) -> None:
    surveys, out, port = tmp_path / "surveys.ndjson", tmp_path / "out", free_port()
    surveys.write_bytes(lines(requests(COUNT)))
    service = started(port, log_level="error")
    wait_for(lambda: listens(port))
    process = start(surveys, out, port)
    wait_for(lambda: len(files(out)) >= 10)
    service.kill()
    service.wait()
    _, told = process.communicate(timeout=PATIENCE)
    assert process.returncode == 1, told.decode()
    assert b"the same command does the rest" in told
    assert b"Traceback" not in told
    finished = {path.name: path.stat().st_mtime_ns for path in files(out)}
    assert 10 <= len(finished) < COUNT // IN_EACH
    service = started(port, log_level="error")
    wait_for(lambda: listens(port))
    try:
        process = start(surveys, out, port)
        process.communicate(timeout=PATIENCE)
        assert process.returncode == 0
    finally:
        service.kill()
        service.wait()
    assert {path.name: path.stat().st_mtime_ns for path in files(out) if path.name in finished} == finished
    told_alone = run(
        "batch", surveys, "--out", tmp_path / "alone", "--detail", "full", "--lines-per-file", str(IN_EACH)
    )
    assert told_alone.exit_code == 0
    assert [path.read_bytes() for path in files(out)] == [path.read_bytes() for path in files(tmp_path / "alone")]


def test_a_command_that_was_paused_loses_nothing(tmp_path: Path) -> None:
    surveys, out = tmp_path / "surveys.ndjson", tmp_path / "out"
    surveys.write_bytes(lines(requests(COUNT)))
    with served(log_level="error", idle_seconds="1") as port:
        process = start(surveys, out, port)
        for done in (5, 20):
            wait_for(lambda done=done: len(files(out)) >= done or process.poll() is not None)
            process.send_signal(signal.SIGSTOP)
            time.sleep(2.5)  # longer than the service waits for anybody
            process.send_signal(signal.SIGCONT)
        _, told = process.communicate(timeout=PATIENCE)
        assert b"Traceback" not in told
        if process.returncode == 1:  # it was cut off in the middle of an answer
            process = start(surveys, out, port)
            process.communicate(timeout=PATIENCE)
        assert process.returncode == 0
    numbers = [json.loads(line)["line"] for path in files(out) for line in path.read_bytes().splitlines()]
    assert numbers == list(range(1, COUNT + 1))
