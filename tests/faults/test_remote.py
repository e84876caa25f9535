"""Commands that ask a running service: the output is that of the command alone, whatever happens on the way."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from pathlib import Path
from threading import Thread
from typing import Any

import httpx
import pytest
from click.testing import CliRunner, Result

import farm_payloads
from batch_lines import lines, requests
from processes import COMMAND, PATIENCE, free_port, listens, served, started, wait_for
from tramwright_service.batch.engines.service import MOST_BYTES, exchanges
from tramwright_service.batch.splitter import Splitter
from tramwright_service.catalogue import examples
from tramwright_service.catalogue.endpoints import QUESTIONS
from tramwright_service.cli import fleet
from tramwright_service.cli.main import main
from tramwright_service.execution import remote

HERE = Path(__file__).parents[2] / "openapi/examples"
CORRECTION = str(HERE / "twisted-frame.json")


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("no_proxy", "127.0.0.1")


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    store = tmp_path_factory.mktemp("remote") / "farm.db"
    with served(store=str(store), log_level="error") as port:
        yield f"http://127.0.0.1:{port}"


def run(*arguments: str | Path, given: bytes | None = None) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments], input=given, catch_exceptions=False)


def same(url: str, *arguments: str | Path, given: bytes | None = None) -> Result:
    """Run a command alone and with a service, and return what both told."""
    alone, asked = run(*arguments, given=given), run(*arguments, "--url", url, given=given)
    assert (asked.exit_code, asked.stdout, asked.stderr) == (alone.exit_code, alone.stdout, alone.stderr)
    return asked


@pytest.mark.parametrize("name", sorted(examples.corrections()))
def test_a_correction_is_printed_as_it_is_without_a_service(url: str, name: str) -> None:
    for form in ([], ["--json"]):
        same(url, "correct", *form, HERE / f"{name}.json")


@pytest.mark.parametrize("question", [question.name for question in QUESTIONS])
def test_the_other_questions_are_answered_alike(url: str, question: str) -> None:
    for file in sorted((HERE / question).glob("*.json")):
        for form in ([], ["--json"]):
            assert same(url, "ask", question, *form, file).exit_code == 0


def test_map_and_sheet_are_the_same_files(url: str, tmp_path: Path) -> None:
    names = ["map.svg", "map.png", "sheet.html", "sheet.pdf"]
    for folder, more in ((tmp_path / "alone", []), (tmp_path / "asked", ["--url", url])):
        folder.mkdir()
        for drawn, sheet in ((0, 2), (1, 3)):
            files = ["--map", folder / names[drawn], "--theme", "dark", "--sheet", folder / names[sheet]]
            assert run("correct", CORRECTION, *files, *more).exit_code == 0
    for name in names:
        assert (tmp_path / "asked" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()
    refused = run("correct", CORRECTION, "--url", url, "--map", tmp_path / "map.pdf")
    assert (refused.exit_code, "its .pdf is the sheet" in refused.stderr) == (2, True)


def test_what_is_wrong_is_said_alike(url: str, tmp_path: Path) -> None:
    payload = json.loads(Path(CORRECTION).read_bytes())
    payload["survey"]["readings"][1]["x"] = payload["survey"]["readings"][2]["y"] = 900
    assert same(url, "correct", "-", given=json.dumps(payload).encode()).exit_code == 2
    assert same(url, "correct", "-", given=b'{"machine": ').exit_code == 2
    assert same(url, "ask", "comparisons", "-", given=b"{}").exit_code == 2
    machine, table = tmp_path / "machine.json", tmp_path / "readings.csv"
    machine.write_text(json.dumps(payload["machine"]))
    table.write_text("x,y,value\n20,20,0\n900,20,0.1\n20,480,0\n")
    assert "row 3, column A" in same(url, "correct", "--machine", machine, table).stderr


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
    for more in (["--workers", "1"], ["--engine", "dask://127.0.0.1:1"]):
        assert run("batch", CORRECTION, "--out", tmp_path, "--url", url, *more).exit_code == 2


def test_nobody_there_is_told(tmp_path: Path) -> None:
    nobody = f"http://127.0.0.1:{free_port()}"
    surveys = tmp_path / "s.ndjson"
    surveys.write_bytes(lines(requests(1)))
    for command in (["correct", CORRECTION], ["fleet"], ["batch", surveys, "--out", tmp_path / "out"]):
        told = run(*command, "--url", nobody)
        assert (told.exit_code, told.stdout) == (1, "")
        assert f"Nothing answers at {nobody}" in told.stderr
    for wrong in ("ftp://127.0.0.1", "127.0.0.1:8017", "http://", "http://host:port"):
        assert "give an address as" in run("fleet", "--url", wrong).stderr


class Stub(BaseHTTPRequestHandler):
    """Answers what it is told to, one answer after the other, and remembers what it was sent."""

    def do_GET(self) -> None:
        self.rfile.read(int(self.headers.get("content-length", 0)))
        self.server.asked.append((self.path, self.headers.get("authorization")))  # type: ignore[attr-defined]  # ours
        status, headers, body = self.server.answers.pop(0)  # type: ignore[attr-defined]  # ours
        self.send_response(status)
        for name, value in {**headers, "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    do_POST = do_GET  # noqa: N815 - the library calls it so

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def stub(*answers: tuple[int, dict[str, str], bytes]) -> Iterator[tuple[str, list[Any]]]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Stub) as server:
        server.asked, server.answers = [], list(answers)  # type: ignore[attr-defined]  # read by the handler
        Thread(target=server.serve_forever).start()
        try:
            yield f"http://127.0.0.1:{server.server_port}", server.asked  # type: ignore[attr-defined]  # ours
        finally:
            server.shutdown()


TEXT = {"Content-Type": "text/plain; charset=utf-8"}
PROBLEM = {"Content-Type": "application/problem+json"}


def problem(status: int, detail: str) -> bytes:
    return json.dumps({"type": "/docs/problems#x", "title": "", "status": status, "detail": detail}).encode()


def test_it_asks_again_when_the_service_says(monkeypatch: pytest.MonkeyPatch) -> None:
    later = {**PROBLEM, "Retry-After": "0"}
    busy, fast = (503, later, problem(503, "All places taken.")), (429, later, problem(429, "Too fast."))
    with stub(busy, fast, (200, TEXT, b"an answer\n")) as (url, asked):
        told = run("correct", CORRECTION, "--url", url)
        assert (told.exit_code, told.stdout, len(asked)) == (0, "an answer\n", 3)
    # without saying when, and when that is too long to wait for, it is told
    for headers in (PROBLEM, {**PROBLEM, "Retry-After": "100000"}):
        with stub((503, headers, problem(503, "All places taken."))) as (url, _):
            told = run("correct", CORRECTION, "--url", url)
            assert (told.exit_code, told.stderr) == (1, "All places taken.\n")
    # nor for ever
    monkeypatch.setattr(remote, "PATIENCE", 0.0)
    with stub(busy) as (url, _):
        assert run("correct", CORRECTION, "--url", url).exit_code == 1


@pytest.mark.parametrize(
    ("answer", "status", "says"),
    [
        ((401, PROBLEM, problem(401, "Send a key.")), 2, "Send a key."),
        ((404, PROBLEM, problem(404, "Compare the path.")), 2, "Compare the path."),
        ((500, PROBLEM, problem(500, "The service failed.")), 2, "The service failed."),
        ((502, {"Content-Type": "text/html"}, b"<h1>Bad gateway</h1>"), 1, "answers 502 Bad Gateway (text/html)"),
        ((200, {"Content-Type": "text/html"}, b"<h1>Welcome</h1>"), 1, "answers 200 OK (text/html)"),
        ((301, {"Location": "https://else.example"}, b""), 1, "answers 301 Moved Permanently (no type)"),
        ((422, PROBLEM, b"not a problem"), 1, "answers 422"),
    ],
)
def test_what_it_refuses_or_is_not_is_told(answer: Any, status: int, says: str, tmp_path: Path) -> None:
    surveys = tmp_path / "s.ndjson"
    surveys.write_bytes(lines(requests(1)))
    for command in (["correct", CORRECTION], ["fleet"], ["batch", surveys, "--out", tmp_path / "out"]):
        with stub(answer) as (url, _):
            told = run(*command, "--url", url)
            expected = 1 if command[0] == "batch" and answer[0] == 500 else status
            assert (told.exit_code, says in told.stderr) == (expected, True), told.stderr


def test_the_key_is_sent_and_stands_on_no_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "key"
    file.write_text("from-a-file\n")
    monkeypatch.setenv("TRAMWRIGHT_KEY", "from-the-environment")
    for more, key in (([], "from-the-environment"), (["--key-file", file], "from-a-file")):
        with stub((200, TEXT, b"yes\n")) as (url, asked):
            assert run("correct", CORRECTION, *more, "--url", url).exit_code == 0
            assert asked == [("/v1/corrections", f"Bearer {key}")]
    file.write_text("two\nlines\n")
    assert "a key is one line" in run("fleet", "--key-file", file, "--url", "http://127.0.0.1:1").stderr
    monkeypatch.setenv("TRAMWRIGHT_KEY", "kéy")
    assert run("fleet", "--url", "http://127.0.0.1:1").exit_code == 2
    assert run("correct", CORRECTION).exit_code == 0  # where nobody is asked, nobody needs one


def test_the_fleet_is_listed_worst_first_with_what_a_visit_takes(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fleet, "PAGE", 1)  # every machine on a page of its own
    assert run("fleet", "--url", url).stdout == "0 machines.\n"
    with httpx.Client(base_url=f"{url}/v1/machines/") as client:
        for name, tilt, site in (("wren", 0.0, "hall 1"), ("heron", 0.4, "hall [2]"), ("plover", None, None)):
            entry = farm_payloads.machine(site=site, tags=["mill"] if tilt else [])
            assert client.put(name, json=entry).status_code == 201
            if tilt is not None:
                sent = farm_payloads.survey(tilt, "2026-03-01T08:00:00Z")
                assert client.post(f"{name}/surveys", json=sent).status_code == 201
    whole = httpx.get(f"{url}/v1/fleet").json()
    rows = run("fleet", "--url", url).stdout.splitlines()
    assert rows[0] == "3 machines: 1 outside, 1 never surveyed, 1 within."
    found = [row.split() for row in rows if row.startswith(("wren", "heron", "plover"))]
    assert [row[0] for row in found] == ["heron", "plover", "wren"]
    total, adjusters = whole["machines"][0]["total"], whole["machines"][0]["visit"]["adjusters"]
    visit = f"move {', '.join(adjusters)}".split()
    assert len(visit) > 1
    assert found[0][1:] == ["hall", "[2]", "outside", f"{total:.3f}", "mm", "0.100", "mm", "2026-03-01", *visit]
    assert found[1][1:] == ["never", "surveyed", "survey"]
    assert found[2][-1] == "nothing"
    listed = json.loads(run("fleet", "--json", "--url", url).stdout)
    assert {**listed, "as_of": ""} == {**whole, "as_of": ""}
    for filters, names in (
        (["--standing", "within"], ["wren"]),
        (["--site", "hall [2]"], ["heron"]),
        (["--tag", "mill", "--standing", "never-surveyed"], []),
    ):
        told = json.loads(run("fleet", "--json", *filters, "--url", url).stdout)
        assert [row["id"] for row in told["machines"]] == names


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
            wait_for(lambda done=done: len(files(out)) >= done)
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
