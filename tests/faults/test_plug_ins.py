"""Plug-ins that do harm, in a real service: they are named and ended, and nobody else is the worse for it."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest
from click.testing import CliRunner

import dangerous
from dangerous import AT_START, HARM, IN_USE, asking
from processes import COMMAND, PATIENCE, free_port, listens, wait_for
from tramwright_service.cli import guests
from tramwright_service.cli.main import main
from tramwright_service.execution.plug_ins import holding, hosts
from tramwright_service.execution.plug_ins.holding import ENDED
from tramwright_solvers.mechanisms.plug_ins.described import Announced
from tramwright_solvers.model.contract import Mechanism

CORRECTIONS = "/v1/corrections"
SECONDS = 3
"""What a plug-in may take here."""
NDJSON = {"Content-Type": "application/x-ndjson"}


@contextmanager
def serving(folder: Path, seconds: int = SECONDS) -> Iterator[tuple[httpx.Client, subprocess.Popen[bytes]]]:
    """The service with the dangerous plug-ins installed."""
    dangerous.announce(folder)
    port = free_port()
    path = os.pathsep.join([str(folder), str(Path(dangerous.__file__).parent), *sys.path])
    own = {"PYTHONPATH": path, "TRAMWRIGHT_PLUG_IN_SECONDS": str(seconds), "TRAMWRIGHT_LOG_LEVEL": "error"}
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, "serve", "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **own},
    )
    try:
        wait_for(lambda: listens(port))
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE) as client:
            yield client, process
    finally:
        process.kill()
        process.wait()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    with serving(tmp_path_factory.mktemp("plug-ins")) as (client, _):
        yield client


@pytest.fixture
def frame(examples: Path) -> dict[str, Any]:
    """What somebody else asks, of built-in solvers."""
    payload: dict[str, Any] = msgspec.json.decode((examples / "twisted-frame.json").read_bytes())
    return payload


def others_are_answered(service: httpx.Client, frame: dict[str, Any]) -> None:
    assert service.get("/health/live").status_code == 200
    assert service.get("/health/ready").status_code == 200
    assert service.post(CORRECTIONS, json=frame).status_code == 200


@pytest.mark.parametrize(("kind", "told"), IN_USE.items(), ids=[kind.name() for kind in IN_USE])
def test_one_that_does_harm_is_named_and_ended_while_others_are_answered(
    service: httpx.Client, frame: dict[str, Any], kind: type[Mechanism], told: tuple[int, str]
) -> None:
    name, (status, says) = kind.name(), told
    with ThreadPoolExecutor(1) as threads:
        harm = threads.submit(service.post, CORRECTIONS, json=asking(name, HARM))
        while not harm.done():
            others_are_answered(service, frame)
        answer = harm.result()
    problem = answer.json()
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    assert problem["type"].endswith("#plug-in-out-of-time" if status == 504 else "#plug-in-fault")
    assert f"`{name}` (dangerous-beds 0.3) failed in" in problem["detail"]
    assert says in problem["detail"]
    assert [fault["pointer"] for fault in problem["errors"]] == ["/solve/with/0"]
    again = service.post(CORRECTIONS, json=asking(name))
    assert again.status_code == 200, again.text


def test_the_same_holds_for_the_other_questions(service: httpx.Client, frame: dict[str, Any]) -> None:
    asked = asking("exits", HARM)
    survey: Any = asked.pop("survey")
    heights = [{**survey, "height": height} for height in (0, 9)]
    answers = {
        "comparisons": service.post("/v1/comparisons", json={**asked, "before": survey, "after": survey}),
        "survey-plans": service.post("/v1/survey-plans", json=asked),
        "height-checks": service.post("/v1/height-checks", json={**asked, "surveys": heights}),
    }
    for answer in answers.values():
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (502, "/solve/with/0")
        assert "exit status 7" in answer.json()["detail"]
    others_are_answered(service, frame)


def test_one_that_hangs_where_its_options_are_read_hangs_no_more_than_itself(
    service: httpx.Client, frame: dict[str, Any]
) -> None:
    asked = asking("on-read")
    asked["solve"] = {"with": [{"solver": "on-read", "lift": True}]}
    with ThreadPoolExecutor(1) as threads:
        harm = threads.submit(service.post, CORRECTIONS, json=asked)
        while not harm.done():
            others_are_answered(service, frame)
    assert harm.result().status_code == 504
    assert "`on-read`" in harm.result().json()["detail"]


def test_a_mistyped_option_is_refused_where_it_stands_without_the_plug_in_in_the_serving_process(
    service: httpx.Client,
) -> None:
    asked = asking("on-read")
    asked["solve"] = {"with": [{"solver": "on-read", "lfit": True}]}
    refused = service.post(CORRECTIONS, json=asked)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/solve/with/0/lfit")
    assert "did you mean `lift`" in refused.json()["detail"]


@pytest.mark.parametrize(("name", "reason"), AT_START.items())
def test_one_that_does_harm_at_start_up_is_listed_with_the_reason(
    service: httpx.Client, name: str, reason: str
) -> None:
    listed = {row["name"]: row for row in service.get("/v1/solvers").json()["solvers"]}[name]
    assert listed["usable"] is False
    assert reason in listed["reason"]


def test_one_that_cannot_decide_whether_it_suits_is_passed_over(service: httpx.Client, frame: dict[str, Any]) -> None:
    named = service.post(CORRECTIONS, json=frame).json()
    frame["machine"]["id"], frame["solve"]["with"] = "puzzle", []
    picked = [service.post(CORRECTIONS, json=frame) for _ in range(2)]
    assert [one.status_code for one in picked] == [200, 200]
    assert picked[0].json()["solver_versions"] == named["solver_versions"]


def test_a_line_of_a_batch_that_ends_its_process_is_refused_alone(service: httpx.Client, frame: dict[str, Any]) -> None:
    asked = [frame, asking("exits", HARM), asking("exits"), asking("loops", HARM), frame]
    told = service.post(CORRECTIONS + "/batch", content=b"\n".join(map(msgspec.json.encode, asked)), headers=NDJSON)
    lines = [msgspec.json.decode(line) for line in told.content.splitlines()]
    assert [line.get("line") for line in lines[:-1]] == [1, 2, 3, 4, 5]
    assert [line["problem"]["status"] for line in lines if "problem" in line] == [502, 504]
    assert [line["problem"]["errors"][0]["pointer"] for line in lines if "problem" in line] == ["/solve/with/0"] * 2
    assert [line["line"] for line in lines[:-1] if "verdict" in line] == [1, 3, 5]


def test_a_request_that_ended_a_process_is_held_and_others_for_the_same_plug_in_are_not(tmp_path: Path) -> None:
    with serving(tmp_path) as (service, _):
        deadly, sound = asking("crashes", HARM), asking("crashes")
        first, again = (service.post(CORRECTIONS, json=deadly) for _ in range(2))
        assert (first.status_code, again.status_code) == (502, 503)
        assert again.json()["type"].endswith("#plug-in-on-hold")
        assert "signal 11" in again.json()["detail"]
        assert again.json()["errors"][0]["pointer"] == "/solve/with/0"
        assert service.post(CORRECTIONS, json=sound).status_code == 200
        time.sleep(int(again.headers["retry-after"]))
        taken, held = (service.post(CORRECTIONS, json=deadly) for _ in range(2))
        assert (taken.status_code, held.status_code) == (502, 503)
        assert int(held.headers["retry-after"]) > int(again.headers["retry-after"])
        listed = {row["name"]: row["last_fault"] for row in service.get("/v1/solvers").json()["solvers"]}
        assert (listed["crashes"]["times"], listed["crashes"]["on_hold"]) == (2, False)
        assert "signal 11" in listed["crashes"]["says"]
        assert listed["loops"] is None


def test_processes_that_end_again_and_again_are_not_started_again_at_once(
    tmp_path: Path, frame: dict[str, Any]
) -> None:
    def deadly(value: float) -> dict[str, Any]:
        asked: Any = asking("exits", HARM)
        asked["survey"]["readings"][0]["value"] = value
        return asked

    with serving(tmp_path) as (service, _):
        answers = [service.post(CORRECTIONS, json=deadly(0.001 * at)) for at in range(ENDED + 1)]
        assert [one.status_code for one in answers] == [502] * ENDED + [503]
        held = answers[-1].json()
        assert held["type"].endswith("#plug-in-on-hold")
        assert "exit status 7" in held["detail"]
        entry = service.get("/v1/solvers/exits").json()
        assert (entry["last_fault"]["times"], entry["last_fault"]["on_hold"]) == (ENDED, True)
        assert service.post(CORRECTIONS, json=asking("crashes")).status_code == 200  # another plug-in
        others_are_answered(service, frame)
        line = service.post(CORRECTIONS + "/batch", content=msgspec.json.encode(asking("exits")), headers=NDJSON)
        assert b"verdict" in line.content.splitlines()[0]  # a line waits where a request is told to come again
        assert service.post(CORRECTIONS, json=asking("exits")).status_code == 200
        assert service.get("/v1/solvers/exits").json()["last_fault"]["on_hold"] is False


def test_faults_are_told_in_turn_and_none_of_them_late(monkeypatch: pytest.MonkeyPatch) -> None:
    waited = []

    async def sleep(seconds: float) -> None:
        waited.append(seconds)

    async def all_at_once() -> None:
        turns = holding.Turns()
        for _ in range(30):
            await turns.mine()

    monkeypatch.setattr(holding, "monotonic", lambda: 17.0)
    monkeypatch.setattr(holding.asyncio, "sleep", sleep)
    asyncio.run(all_at_once())
    assert waited[:4] == pytest.approx([0.0, 0.1, 0.2, 0.3])
    assert waited[-1] == max(waited) == 1.0


@pytest.mark.skipif(len(os.sched_getaffinity(0)) < 2, reason="one processor cannot be left to others")
def test_one_processor_is_left_to_others(tmp_path: Path) -> None:
    with serving(tmp_path) as (service, process):
        assert service.post(CORRECTIONS, json=asking("loops")).status_code == 200
        places = [os.sched_getaffinity(one) for one in children(process.pid)]
        assert places
        assert {min(os.sched_getaffinity(0))} & set().union(*places) == set()


@pytest.fixture(scope="module")
def command(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., subprocess.CompletedProcess[str]]:
    """The command line where the dangerous plug-ins are installed, two of which hang or end where they are loaded."""
    folder = tmp_path_factory.mktemp("installed")
    dangerous.announce(folder)
    path = os.pathsep.join([str(folder), str(Path(dangerous.__file__).parent), *sys.path])
    own = {**os.environ, "PYTHONPATH": path, "TRAMWRIGHT_PLUG_IN_SECONDS": str(SECONDS)}

    def run(*words: str, sent: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", COMMAND, *words, "-"],
            input=msgspec.json.encode(sent).decode(),
            check=False,
            env=own,
            capture_output=True,
            text=True,
            timeout=PATIENCE,
        )

    return run


@pytest.mark.parametrize(("name", "says"), [("loops", "longer than"), ("exits", "exit status 7")])
def test_a_command_names_the_plug_in_that_does_harm_and_ends(
    command: Callable[..., subprocess.CompletedProcess[str]], name: str, says: str
) -> None:
    done = command("correct", sent=asking(name, HARM))
    assert (done.returncode, done.stdout) == (2, "")
    (told,) = [line for line in done.stderr.splitlines() if line.startswith("/solve/with/0: ")]
    assert f"`{name}` (dangerous-beds 0.3) failed in `influence`" in told
    assert says in told
    asked = asking(name, HARM)
    survey: Any = asked.pop("survey")
    compared = command("ask", "comparisons", sent={**asked, "before": survey, "after": survey})
    assert compared.returncode == 2
    assert says in compared.stderr


def test_a_command_gives_the_answer_of_a_plug_in_that_the_service_gives(
    command: Callable[..., subprocess.CompletedProcess[str]], service: httpx.Client
) -> None:
    asked = asking("exits")
    done = command("correct", "--json", sent=asked)
    assert done.returncode == 0, done.stderr
    assert done.stdout.rstrip("\n").encode() == service.post(CORRECTIONS, json=asked).content
    text = service.post(CORRECTIONS, json=asked, headers={"Accept": "text/plain"}).text
    assert command("correct", sent=asked).stdout.rstrip("\n") == text.rstrip("\n")


def test_a_command_without_a_solver_named_asks_the_plug_ins_that_can_be_asked(
    command: Callable[..., subprocess.CompletedProcess[str]], frame: dict[str, Any]
) -> None:
    frame["solve"].pop("with")
    frame["machine"]["id"] = "puzzle"  # one of them does not come back from `suits` on it
    done = command("correct", "--json", sent=frame)
    assert done.returncode == 0, done.stderr
    assert msgspec.json.decode(done.stdout)["solver_versions"]


def test_a_command_for_built_in_solvers_starts_no_process(
    frame: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def found(*_: object) -> None:
        raise AssertionError("a plug-in was asked")

    monkeypatch.setattr(guests, "announced_here", lambda: (Announced("loops", "dangerous:Loops", "beds 1"),))
    monkeypatch.setattr(hosts.PlugIns, "found", found)
    assert frame["solve"]["with"]
    (tmp_path / "frame.json").write_bytes(msgspec.json.encode(frame))
    done = CliRunner().invoke(main, ["correct", str(tmp_path / "frame.json")])
    assert done.exit_code == 0, done.output
    frame["solve"]["with"] = []
    (tmp_path / "frame.json").write_bytes(msgspec.json.encode(frame))
    with pytest.raises(AssertionError):
        CliRunner().invoke(main, ["correct", str(tmp_path / "frame.json")], catch_exceptions=False)


def test_a_signal_ends_the_service_while_a_plug_in_hangs(tmp_path: Path) -> None:
    with serving(tmp_path, seconds=4) as (client, process), ThreadPoolExecutor(1) as threads:
        hanging = threads.submit(client.post, CORRECTIONS, json=asking("loops", HARM))
        time.sleep(1.0)
        workers = children(process.pid)
        assert workers
        process.send_signal(signal.SIGTERM)
        process.wait(30.0)  # what clients have begun may take twenty seconds
        assert hanging.result().status_code == 504
        wait_for(lambda: not any(Path(f"/proc/{one}").exists() for one in workers))


def children(parent: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                stat = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(stat[1]) == parent:
                found.append(int(entry.name))
    return found
