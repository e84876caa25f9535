"""What a good request gets, in every form, and what a form that is not offered gets. All data invented."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from tramwright_service.catalogue import examples
from tramwright_service.wire.encode import encode
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.results.findings import FormTerm
from tramwright_solvers.views.correction import as_text

CORRECTIONS = "/v1/corrections"
JSON = "application/json"
MSGPACK = ["application/msgpack", "application/x-msgpack", "application/vnd.msgpack"]
EXAMPLES = sorted(examples.corrections())


def ask(client: TestClient[Any], payload: dict[str, Any], accept: str | None, sent_as: str = JSON) -> Any:
    body = json.dumps(payload).encode() if "json" in sent_as.lower() else msgspec.msgpack.encode(payload)
    headers = {"Content-Type": sent_as} | ({} if accept is None else {"Accept": accept})
    return client.post(CORRECTIONS, content=body, headers=headers)


def numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [number for item in value.values() for number in numbers(item)]
    if isinstance(value, list):
        return [number for item in value for number in numbers(item)]
    return [value] if isinstance(value, float | int) else []


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_example_is_answered(client: TestClient[Any], name: str) -> None:
    answer = ask(client, examples.corrections()[name], None)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == JSON
    assert all(map(math.isfinite, numbers(answer.json())))
    correction = msgspec.json.decode(answer.content, type=Correction)
    assert correction.predicted.total < correction.as_found.total
    assert len(correction.predicted.stations) == len(examples.corrections()[name]["survey"]["readings"])


def test_every_solver_that_names_an_example_ships_it(client: TestClient[Any]) -> None:
    for entry in client.get("/v1/solvers").json()["solvers"]:
        detail = client.get(f"/v1/solvers/{entry['name']}").json()
        named = [one["solver"] for one in detail["example"]["solve"]["with"]]
        assert entry["name"] in named


def test_solve_may_be_left_out(client: TestClient[Any], payload: dict[str, Any]) -> None:
    asked = ask(client, payload, None).json()
    del payload["solve"]
    assert ask(client, payload, None).json() == asked


@pytest.mark.parametrize(
    ("accept", "expected"),
    [
        (None, JSON),
        ("*/*", JSON),
        ("", JSON),
        ("application/*", JSON),
        ("application/json; charset=utf-8", JSON),
        ("APPLICATION/JSON", JSON),
        *((name, name) for name in MSGPACK),
        ("text/plain", "text/plain; charset=utf-8"),
        ("text/*", "text/plain; charset=utf-8"),
        ("text/html, text/plain;q=0.9", "text/html; charset=utf-8"),
        ("application/json;q=0.5, application/msgpack", "application/msgpack"),
        ("*/*;q=0.1, text/plain", "text/plain; charset=utf-8"),
        ("application/json;q=0, */*", "application/msgpack"),
    ],
)
def test_accept_decides_the_form(
    client: TestClient[Any], payload: dict[str, Any], accept: str | None, expected: str
) -> None:
    answer = ask(client, payload, accept)
    assert (answer.status_code, answer.headers["content-type"]) == (200, expected)
    assert answer.headers["vary"] == "accept"


@pytest.mark.parametrize("accept", ["text/css", "image/jpeg", "application/json;q=0", "nonsense"])
def test_other_forms_are_refused_with_what_is_offered(
    client: TestClient[Any], payload: dict[str, Any], accept: str
) -> None:
    answer = ask(client, payload, accept)
    assert (answer.status_code, answer.headers["content-type"]) == (406, "application/problem+json")
    assert all(name in answer.json()["detail"] for name in (JSON, *MSGPACK, "text/plain"))


@pytest.mark.parametrize(
    "sent_as", [JSON, "application/json; charset=utf-8", "Application/JSON;charset=UTF-8", *MSGPACK]
)
def test_both_formats_say_the_same(client: TestClient[Any], payload: dict[str, Any], sent_as: str) -> None:
    plain = ask(client, payload, JSON).json()
    assert ask(client, payload, JSON, sent_as).json() == plain
    assert msgspec.msgpack.decode(ask(client, payload, MSGPACK[0], sent_as).content) == plain


@pytest.mark.parametrize("name", EXAMPLES)
def test_text_is_what_a_person_follows(client: TestClient[Any], name: str) -> None:
    payload = examples.corrections()[name]
    text = ask(client, payload, "text/plain").text
    answer = msgspec.json.decode(ask(client, payload, JSON).content, type=Correction)
    assert max(map(len, text.splitlines())) <= 100
    assert set(re.findall(r"[^ -~]", text)) <= set("\n°±·→×")
    flat = " ".join(text.split())
    for number, step in enumerate(answer.steps, 1):
        assert f"{number}. {step.do}" in flat
    for caution in answer.cautions:
        assert caution in flat
    digits, unit = {"mm": 3, "inch": 4}[answer.units], answer.units
    found, after = answer.as_found, answer.predicted
    assert f"As found {found.total:.{digits}f} ± {found.expanded:.{digits}f} {unit} (± U, k = 1.64): outside" in flat
    assert f"afterwards {after.total:.{digits}f} ± {after.expanded:.{digits}f} {unit}: " in flat
    assert answer.digits == digits
    assert flat.startswith(f"{answer.machine}: {answer.says} As found")
    assert all(told in flat[: flat.index("What to do")] for told in answer.assumed)
    assert text.rstrip().splitlines()[-1].startswith("Then survey again")
    lines = text.splitlines()
    assert next(number for number, line in enumerate(lines, 1) if line.startswith(" 1. ")) <= 12
    assert not re.search(r"[-+]0\.0+\b|\d\.\d{6}", text)
    # Rear at the top, x to the right: the first row of the layout is the largest y, from small x to large.
    rear = max(station.y for station in answer.predicted.stations)
    row = sorted((one.x, one.dial_before) for one in answer.predicted.stations if one.y == rear)
    shown = re.search(r"^ *rear +(\S+) +(.*)$", text, re.MULTILINE)
    assert shown
    assert float(shown[1]) == rear
    assert [float(value) for value in shown[2].split()] == pytest.approx(
        [dial for _, dial in row], abs=0.501 * 10**-digits
    )


def test_stations_in_no_grid_are_listed(client: TestClient[Any], payload: dict[str, Any]) -> None:
    readings = payload["survey"]["readings"]
    for index, reading in enumerate(readings):
        reading["x"] += (3 * index) % 13 - 6
        reading["y"] += (7 * index) % 11 - 5
    text = ask(client, payload, "text/plain").text
    listed = [line.split() for line in text.splitlines() if re.fullmatch(r"( +[-+]?[\d.]+){4}", line)]
    assert [(float(x), float(y)) for x, y, *_ in listed] == [(one["x"], one["y"]) for one in readings]


def test_nothing_that_is_not_finite_leaves(client: TestClient[Any], payload: dict[str, Any]) -> None:
    answer = msgspec.json.decode(ask(client, payload, JSON).content, type=Correction)
    unknown = FormTerm("twist", None, None, 0.0, False)
    honest = msgspec.structs.replace(answer, breakdown=[unknown])
    assert b'"range":null' in encode(honest, JSON, as_text)
    for bad in (math.nan, math.inf):
        wrong = msgspec.structs.replace(answer, breakdown=[msgspec.structs.replace(unknown, share=bad)])
        for form in (JSON, MSGPACK[0], "text/plain"):
            with pytest.raises(ArithmeticError):
                encode(wrong, form, as_text)


def test_text_of_nothing_to_do(client: TestClient[Any], payload: dict[str, Any]) -> None:
    payload["machine"]["limit"] = {"total": 0.5}
    answer = msgspec.json.decode(ask(client, payload, JSON).content, type=Correction)
    assert (answer.advice.do, answer.moves, answer.steps, answer.cautions) == ("nothing", [], [], [])
    assert (answer.verdict.as_found, answer.verdict.predicted) == ("within", "within")
    text = ask(client, payload, "text/plain").text
    assert text.startswith("kestrel-01: Nothing to do: the bed is proven within its limit. Moving front-right could")
    assert "What to do" not in text
    assert "Take care" not in text


def test_text_of_a_search_that_was_stopped_says_how_much_better_it_might_be(client: TestClient[Any]) -> None:
    payload = examples.corrections()["shimmed-rails"]
    payload["solve"] = {**payload.get("solve", {}), "aim_for": 0.0, "time_limit": 1e-9}
    answer = msgspec.json.decode(ask(client, payload, JSON).content, type=Correction)
    assert answer.chosen.outcome == "stopped"
    told = " ".join(ask(client, payload, "text/plain").text.split())
    assert "The search was stopped at a limit before this was proven" in told
    assert f"may be better by up to {answer.chosen.gap:.3f} mm." in told


def test_cautions_come_before_the_steps(client: TestClient[Any], payload: dict[str, Any]) -> None:
    told = client.post(CORRECTIONS, json=payload, headers={"Accept": "text/plain"}).text
    assert 0 < told.index("Take care") < told.index("What to do")


def test_readings_in_the_wrong_unit_move_nothing(client: TestClient[Any], payload: dict[str, Any]) -> None:
    for reading in payload["survey"]["readings"]:
        reading["value"] = 100 * reading["value"]
    answer = client.post(CORRECTIONS, json=payload).json()
    assert answer["advice"]["do"] == "read-again"
    assert "check units" in answer["says"]
    assert answer["moves"] == []
    assert answer["verdict"]["as_found"] == "undecided"


def test_a_turned_sign_is_named_before_anything_is_made_of_it(client: TestClient[Any], payload: dict[str, Any]) -> None:
    largest = max(payload["survey"]["readings"], key=lambda reading: abs(reading["value"]))
    largest["value"] *= -1
    told = client.post(CORRECTIONS, json=payload, headers={"Accept": "text/plain"}).text
    assert told.startswith("kestrel-01: Read x 480, y 20 again before anything is moved")
    assert "Turn" not in told
    assert "sign" in told[told.index("Doubtful readings") : told.index("Why")]


def test_a_closing_reading_is_reported(client: TestClient[Any], payload: dict[str, Any]) -> None:
    first = payload["survey"]["readings"][0]
    payload["survey"]["readings"].append(first | {"value": first["value"] + 0.03})
    answer = client.post(CORRECTIONS, json=payload).json()
    assert [round(one["error"], 9) for one in answer["closing_errors"]] == [0.03]
    told = client.post(CORRECTIONS, json=payload, headers={"Accept": "text/plain"}).text
    assert "closed by +0.030 mm" in told
