"""Steps already carried out, sent with a survey: over HTTP, in batches, as text and MessagePack. All data invented."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from litestar.testing import TestClient

from batch_lines import answers, lines, requests
from tramwright_service.catalogue import examples
from tramwright_service.cli.main import main
from tramwright_solvers.results.correction import Correction

CORRECTIONS, BATCH = "/v1/corrections", "/v1/corrections/batch"
MSGPACK, NDJSON = "application/vnd.msgpack", {"Content-Type": "application/x-ndjson"}


@pytest.fixture
def asked() -> dict[str, Any]:
    """A machine two steps on: a seat that fell short, and the same seat again."""
    return copy.deepcopy(examples.corrections()["after-two-steps"])


def answered(client: TestClient[Any], payload: dict[str, Any]) -> Correction:
    answer = client.post(CORRECTIONS, json=payload)
    assert answer.status_code == 200, answer.text
    return msgspec.json.decode(answer.content, type=Correction)


def refused(client: TestClient[Any], payload: dict[str, Any]) -> dict[str, str]:
    answer = client.post(CORRECTIONS, json=payload)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("application/problem+json")
    return {error["pointer"]: error["detail"] for error in answer.json()["errors"]}


def test_the_answer_is_the_rest_of_the_work(client: TestClient[Any], asked: dict[str, Any]) -> None:
    answer = answered(client, asked)
    assert answer.progress is not None
    assert answer.progress.next == "go-on"
    assert [one.adjuster for one in answer.progress.steps] == ["right-front", "right-front"]
    assert [step.adjuster for step in answer.steps] == ["front-right", "rear", None]
    assert {move.adjuster for move in answer.moves} == {"front-right", "rear"}
    del asked["done"]
    assert answer.as_found == answered(client, asked).as_found


def test_the_gap_now_is_told_at_every_station(client: TestClient[Any], asked: dict[str, Any]) -> None:
    answer = answered(client, asked)
    assert answer.progress is not None
    now, stations = answer.progress.now, answer.progress.stations
    assert [(one.x, one.y) for one in stations] == [(one.x, one.y) for one in answer.predicted.stations]
    gaps = {(one.x, one.y): one.gap for one in stations}
    assert max(gaps.values()) - min(gaps.values()) == pytest.approx(now.total)
    assert (now.highest.x, now.highest.y) == max(gaps, key=lambda place: gaps[place])
    (first, *_), dials = answer.steps, {(one.x, one.y): one.dial for one in stations}
    assert dials[first.park.x, first.park.y] == pytest.approx(first.dial_before)
    asked["machine"]["indicator"]["bed_high_reads"] = "minus"
    asked["done"] = [step | {"read": -step["read"]} for step in asked["done"]]
    for reading in asked["survey"]["readings"]:
        reading["value"] = -reading["value"]
    turned = answered(client, asked).progress
    assert turned is not None
    assert [one.gap for one in turned.stations] == pytest.approx([one.gap for one in stations])
    assert [one.dial for one in turned.stations] == pytest.approx([-one.dial for one in stations])


def test_text_tells_the_dial_as_found_now_and_after(client: TestClient[Any], asked: dict[str, Any]) -> None:
    answer = answered(client, asked)
    text = client.post(CORRECTIONS, json=asked, headers={"Accept": "text/plain"}).text
    assert answer.progress is not None
    now = answer.progress.now
    flat = " ".join(text.split())
    assert f"; now {now.total:.3f} ± {now.expanded:.3f} mm; afterwards {answer.predicted.total:.3f} ± " in flat
    tables = {name: text[text.index(f"\n{name:>6}     y, x") :].split("\n\n")[0] for name in ("found", "now", "after")}
    stations = zip(answer.predicted.stations, answer.progress.stations, strict=True)
    for left, one in stations:
        for name, value in (("found", left.dial_before), ("now", one.dial), ("after", left.dial)):
            assert f"{value:+.3f}" in tables[name], (name, one)


def test_after_a_stop_the_total_now_is_not_held_against_the_limit(
    client: TestClient[Any], asked: dict[str, Any]
) -> None:
    asked["done"] = [asked["done"][0] | {"read": -0.3}]
    now = answered(client, asked).progress
    assert now is not None
    assert now.next == "stop"
    text = client.post(CORRECTIONS, json=asked, headers={"Accept": "text/plain"}).text
    flat = " ".join(text.split())
    assert f"; now {now.now.total:.3f} ± {now.now.expanded:.3f} mm (ISO 14253-1)." in flat
    assert "afterwards" not in flat


def test_without_steps_nothing_is_said_of_them(client: TestClient[Any], asked: dict[str, Any]) -> None:
    del asked["done"]
    plain = client.post(CORRECTIONS, json=asked)
    assert plain.json()["progress"] is None
    assert client.post(CORRECTIONS, json=asked | {"done": []}).content == plain.content


@pytest.mark.parametrize(
    ("change", "pointer", "says"),
    [
        ({"adjuster": "heron"}, "/done/1/adjuster", "no adjuster of this machine"),
        ({"park": {"x": 481, "y": 20}}, "/done/1/park", "the nearest is x 480, y 20"),
        ({"travel": 0}, "/done/1/travel", "moves something"),
        ({"travel": None}, "/done/1/travel", "Give the travel"),
        ({"travel": 2000}, "/done/1/travel", "1000"),
        ({"travel": -0.464, "read": 0.24}, "/done/1", "once more"),
        ({"red": 0.2}, "/done/1/red", "did you mean `read`"),
        ({"read": "0.2"}, "/done/1/read", "number"),
    ],
)
def test_what_is_wrong_is_pointed_at(
    client: TestClient[Any], asked: dict[str, Any], change: dict[str, Any], pointer: str, says: str
) -> None:
    asked["done"][1] |= change
    wrong = refused(client, asked)
    assert says in wrong[pointer]
    assert len(wrong) == 1


@pytest.mark.parametrize("name", ["adjuster", "travel", "park"])
def test_what_a_step_must_have(client: TestClient[Any], asked: dict[str, Any], name: str) -> None:
    del asked["done"][0][name]
    assert list(refused(client, asked)) == [f"/done/0/{name}"]


def test_a_step_need_not_be_read(client: TestClient[Any], asked: dict[str, Any]) -> None:
    for step in asked["done"]:
        del step["read"]
    answer = answered(client, asked)
    assert answer.progress is not None
    assert all(one.read is None and one.u is not None and one.u > 0.02 for one in answer.progress.steps)


def test_more_steps_than_are_followed_are_refused(client: TestClient[Any], asked: dict[str, Any]) -> None:
    asked["done"] = [asked["done"][0] | {"read": at / 1000} for at in range(201)]
    assert "/done" in refused(client, asked)


def test_both_formats_say_the_same(client: TestClient[Any], asked: dict[str, Any]) -> None:
    plain = client.post(CORRECTIONS, json=asked).json()
    packed = client.post(
        CORRECTIONS,
        content=msgspec.msgpack.encode(asked),
        headers={"Content-Type": MSGPACK, "Accept": MSGPACK},
    )
    assert packed.status_code == 200
    assert msgspec.msgpack.decode(packed.content) == plain


def test_text_tells_the_steps_carried_out(client: TestClient[Any], asked: dict[str, Any]) -> None:
    text = client.post(CORRECTIONS, json=asked, headers={"Accept": "text/plain"}).text
    flat = " ".join(text.split())
    assert "Steps carried out" in text
    assert "right-front: -0.464 mm asked" in flat
    assert "read +0.240, +0.319 expected" in flat
    assert "Survey again: read all 25 stations" in flat


def test_the_command_line_takes_the_same(asked: dict[str, Any], tmp_path: Path, client: TestClient[Any]) -> None:
    file = tmp_path / "survey.json"
    file.write_bytes(msgspec.json.encode(asked))
    told = CliRunner().invoke(main, ["correct", "--json", str(file)])
    assert told.exit_code == 0
    assert msgspec.json.decode(told.stdout) == client.post(CORRECTIONS, json=asked).json()


@pytest.mark.parametrize("detail", ["verdict", "moves", "full"])
def test_lines_of_a_batch_take_the_same(client: TestClient[Any], asked: dict[str, Any], detail: str) -> None:
    wrong = copy.deepcopy(asked)
    wrong["done"][0]["adjuster"] = "heron"
    others = requests(3, "twisted-frame")
    entries = [others[0], asked, others[1], wrong, asked | {"done": []}, others[2]]
    found = client.post(BATCH, params={"detail": detail}, content=lines(entries), headers=NDJSON)
    *told, last = answers(found.content)
    assert last["summary"]["answered"] == 5
    assert [error["pointer"] for error in told[3]["problem"]["errors"]] == ["/done/0/adjuster"]
    for at in (1, 4):
        whole = client.post(CORRECTIONS, json=entries[at]).json()
        less = {key: value for key, value in told[at].items() if key not in ("id", "line")}
        if detail != "full":
            del whole["predicted"]["stations"]
        assert less == {key: whole[key] for key in less}
    assert ("progress" in told[1]) == (detail != "verdict")


def test_where_the_machine_was_named_before(client: TestClient[Any], asked: dict[str, Any]) -> None:
    named = asked | {"machine": asked["machine"]["id"]}
    first = {key: value for key, value in asked.items() if key != "done"}
    found = client.post(
        BATCH,
        params={"detail": "full"},
        content=lines([first, named]),
        headers={"Content-Type": "application/x-ndjson"},
    )
    told = answers(found.content)[1]
    assert told["progress"] == client.post(CORRECTIONS, json=asked).json()["progress"]


@pytest.mark.parametrize("name", [name for name in examples.corrections() if name != "after-two-steps"])
def test_the_first_step_of_every_example_can_be_sent(client: TestClient[Any], name: str) -> None:
    payload = copy.deepcopy(examples.corrections()[name])
    answer = answered(client, payload)
    step = answer.steps[0]
    assert step.adjuster is not None
    park = {"x": step.park.x, "y": step.park.y}
    payload["done"] = [{"adjuster": step.adjuster, "travel": step.travel, "park": park, "read": step.dial_after}]
    rest = answered(client, payload)
    assert rest.progress is not None
    assert rest.progress.next == "go-on"
    assert rest.steps[-1].adjuster is None
    (one,) = rest.progress.steps
    assert one.expected == pytest.approx(step.dial_after)
