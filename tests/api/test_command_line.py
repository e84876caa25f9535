"""The command line says what the service says, and does not load more than it needs. All data invented."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from litestar.testing import TestClient

from processes import COMMAND
from tramwright_service.catalogue import examples, guides
from tramwright_service.catalogue.endpoints import QUESTIONS
from tramwright_service.cli.main import ASKED, main
from tramwright_solvers.correction import api
from tramwright_solvers.model.errors import OutOfTime

README = Path(__file__).parents[2] / "README.md"


def run(*arguments: str, given: bytes | None = None) -> Result:
    return CliRunner().invoke(main, list(arguments), input=given, catch_exceptions=False)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's device that is always full")
def test_an_answer_that_finds_no_place_is_told() -> None:
    with Path("/dev/full").open("wb") as full:
        told = subprocess.run(
            [sys.executable, "-c", COMMAND, "example", "tilted-bed"], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert told.returncode != 0
    assert b"No space left on device: the answer is not whole." in told.stderr
    assert b"Traceback" not in told.stderr


@pytest.mark.parametrize("command", ["", "serve", "correct", "ask", "batch", "fleet", "demo", "store"])
def test_help_loads_nothing_heavy(command: str) -> None:
    heavy = {"scipy", "numpy", "matplotlib", "litestar", "uvicorn", "msgspec", "httpx", "sqlalchemy"}
    assert not loaded([*command.split(), "--help"]) & heavy


def test_who_asks_a_service_loads_no_solver() -> None:
    for command in (["correct", "-"], ["ask", "comparisons", "-"], ["fleet"]):
        found = loaded([*command, "--url", "http://127.0.0.1:1"])
        assert "httpx" in found
        assert not found & {"scipy", "matplotlib", "litestar", "uvicorn"}


@pytest.mark.parametrize("arguments", [["solvers"], ["solvers", "--json"], ["example"], ["guide"]])
def test_listings_load_neither_scipy_nor_the_framework(arguments: list[str]) -> None:
    assert not loaded(arguments) & {"scipy", "matplotlib", "litestar", "uvicorn"}


def loaded(arguments: list[str]) -> set[str]:
    code = (
        "import sys\nfrom tramwright_service.cli.main import main\n"
        f"try:\n    main({arguments!r})\nfinally:\n    print('LOADED', *sys.modules)"
    )
    own = {**os.environ, "no_proxy": "127.0.0.1"}
    told = subprocess.run(
        [sys.executable, "-c", code],
        check="--url" not in arguments,
        input="{}",
        env=own,
        capture_output=True,
        text=True,
    ).stdout
    return set(told.rpartition("LOADED")[2].split())


@pytest.mark.parametrize("name", sorted(examples.corrections()))
def test_the_answer_is_that_of_the_service(client: TestClient[Any], name: str) -> None:
    body = examples.read(name)
    headers = {"Content-Type": "application/json"}
    for option, accept in ([], "text/plain"), (["--json"], "application/json"):
        served = client.post("/v1/corrections", content=body, headers={**headers, "Accept": accept}).text
        told = run("correct", *option, "-", given=body)
        assert (told.exit_code, told.stdout.rstrip("\n")) == (0, served.rstrip("\n"))


def test_a_file_of_messagepack(tmp_path: Path) -> None:
    import msgspec

    file = tmp_path / "survey.msgpack"
    file.write_bytes(msgspec.msgpack.encode(examples.corrections()["tilted-bed"]))
    assert run("correct", "--json", str(file)).exit_code == 0


def test_what_is_wrong_is_said_with_its_place(payload: dict[str, Any]) -> None:
    payload["machine"]["units"] = "cm"
    told = run("correct", "-", given=json.dumps(payload).encode())
    assert told.exit_code == 2
    assert told.stdout == ""
    assert told.stderr == "/machine/units: `cm` is not one of the values taken here: `inch`, `mm`.\n"
    payload["machine"]["units"] = "mm"
    payload["survey"]["readings"][1]["x"] = payload["survey"]["readings"][2]["y"] = 900
    told = run("correct", "-", given=json.dumps(payload).encode())
    assert told.exit_code == 2
    assert [line.partition(":")[0] for line in told.stderr.splitlines()] == [
        "/survey/readings/1/x",
        "/survey/readings/2/y",
    ]
    assert run("correct", "-", given=b"").exit_code == 2
    assert "well-formed" in run("correct", "-", given=b"{nonsense").stderr


def test_a_time_limit_passed_may_be_tried_again(monkeypatch: pytest.MonkeyPatch, payload: dict[str, Any]) -> None:
    def late(*_: Any, **__: Any) -> None:
        raise OutOfTime("Nothing found in 5 s.")

    monkeypatch.setattr(api, "correct", late)
    told = run("correct", "-", given=json.dumps(payload).encode())
    assert (told.exit_code, told.stderr) == (1, "Nothing found in 5 s.\n")


def test_solvers_are_those_of_the_service(client: TestClient[Any]) -> None:
    assert json.loads(run("solvers", "--json").stdout) == client.get("/v1/solvers").json()
    assert "three-screw" in run("solvers").stdout


def test_guides_are_listed_and_printed_as_they_are() -> None:
    listed = [line.split(maxsplit=1) for line in run("guide").stdout.splitlines()]
    assert listed == [[name, title] for name, title in guides.titles().items()]
    assert run("guide", "batch").stdout == run("guide", "batch.md").stdout == guides.read("batch")
    wrong = run("guide", "no-such")
    assert wrong.exit_code == 2
    assert "survey-plans" in wrong.stderr


def test_the_help_of_ask_names_every_question() -> None:
    told = run("ask", "--help").stdout
    assert list(ASKED) == [question.name for question in QUESTIONS]
    for name, what in ASKED.items():
        assert f"  {name:15}{what}\n" in told
        assert re.search(rf"\| {re.escape(what)} \| .*`tramwright ask {name} FILE`", README.read_text())
    assert "'survey-plans'" in run("ask", "height", "-", given=b"").stderr


@pytest.mark.parametrize(("typed", "offered"), [("tramwright ask he", "height-checks"), ("tramwright b", "batch")])
def test_the_shell_completes_what_is_typed(typed: str, offered: str) -> None:
    words = typed.split()
    asked = {"_TRAMWRIGHT_COMPLETE": "bash_complete", "COMP_WORDS": typed, "COMP_CWORD": str(len(words) - 1)}
    told = subprocess.run(
        [sys.executable, "-c", "from tramwright_service.cli.main import main; main(prog_name='tramwright')"],
        env={**os.environ, **asked},
        check=True,
        capture_output=True,
        text=True,
    )
    assert f"plain,{offered}" in told.stdout.splitlines()


def test_examples_are_listed_and_printed_as_they_are() -> None:
    assert run("example").stdout.split() == list(examples.paths())
    assert run("example", "tilted-bed").stdout.encode() == examples.read("tilted-bed.json")
    wrong = run("example", "no-such")
    assert wrong.exit_code == 2
    assert "tilted-bed" in wrong.stderr


def test_the_openapi_document_is_written_and_compared(tmp_path: Path) -> None:
    file = tmp_path / "openapi.json"
    assert run("openapi", "--check", "--output", str(file)).exit_code == 1
    assert run("openapi", "--output", str(file)).exit_code == 0
    assert run("openapi", "--check", "--output", str(file)).exit_code == 0
    file.write_text(file.read_text().replace("three-screw", "four-legs"))
    changed = run("openapi", "--check", "--output", str(file))
    assert changed.exit_code == 1
    assert "four-legs" in changed.stderr


def test_an_address_that_is_taken_is_told_before_any_other_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        for command in ("serve", "demo"):
            told = run(command, "--port", port)
            assert (told.exit_code, told.stdout) == (1, "")
            assert f"port {port}: address already in use" in told.stderr


def test_filters_and_one_machine_do_not_go_together() -> None:
    told = run("fleet", "heron", "--site", "hall 1", "--url", "http://127.0.0.1:1")
    assert (told.exit_code, "choose among machines" in told.stderr) == (2, True)


def test_a_machine_is_asked_for_only_where_it_can_be_written(tmp_path: Path) -> None:
    told = run("machine", str(tmp_path / "no" / "machine.json"))
    assert (told.exit_code, told.stdout) == (2, "")
    assert "There is no folder" in told.stderr
