"""Commands that ask a running service: the output is that of the command alone, whatever happens on the way."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import httpx
import pytest
from click.testing import Result

import farm_payloads
from batch_lines import lines, requests
from processes import free_port, run
from tramwright_service.catalogue import examples
from tramwright_service.catalogue.endpoints import QUESTIONS
from tramwright_service.cli import fleet
from tramwright_service.execution import remote

HERE = Path(__file__).parents[2] / "openapi/examples"
CORRECTION = str(HERE / "twisted-frame.json")


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


def test_one_machine_is_told_with_its_history(url: str) -> None:
    with httpx.Client(base_url=f"{url}/v1/machines/") as client:
        assert client.put("grey%20wagtail", json=farm_payloads.machine()).status_code == 201
        for day in (1, 2):
            sent = farm_payloads.survey(0.0, f"2026-03-0{day}T08:00:00Z")
            assert client.post("grey%20wagtail/surveys", json=sent).status_code == 201
        for more, accept in (([], "text/plain"), (["--json"], "application/json")):
            served = client.get("grey%20wagtail/history", headers={"accept": accept}).text
            told = run("fleet", "grey wagtail", *more, "--url", url).stdout
            same_but_for_when = (re.sub(r'"as_of":"[^"]*"', "", one).rstrip() for one in (told, served))
            assert len(set(same_but_for_when)) == 1
        assert client.delete("grey%20wagtail").status_code == 204
    gone = run("fleet", "grey wagtail", "--url", url)
    assert (gone.exit_code, gone.stdout) == (2, "")
    assert "grey wagtail" in gone.stderr
