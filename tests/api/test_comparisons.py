"""`POST /v1/comparisons` and `POST /v1/height-checks`: good answers in every form, bad input. All data invented."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from litestar.testing import TestClient

from tramwright_service.catalogue import examples
from tramwright_service.cli.main import main
from tramwright_solvers.comparison.results import Comparison
from tramwright_solvers.lead_error.results import HeightCheck

JSON, MSGPACK, TEXT = "application/json", "application/msgpack", "text/plain"
ANSWERS: dict[str, type[msgspec.Struct]] = {"comparisons": Comparison, "height-checks": HeightCheck}
EXAMPLES = [(question, name) for question in ANSWERS for name in sorted(examples.of(question))]


def ask(
    client: TestClient[Any], question: str, payload: dict[str, Any], accept: str = JSON, sent_as: str = JSON
) -> Any:
    body = json.dumps(payload).encode() if sent_as == JSON else msgspec.msgpack.encode(payload)
    return client.post(f"/v1/{question}", content=body, headers={"Content-Type": sent_as, "Accept": accept})


def example(question: str, name: str) -> dict[str, Any]:
    return copy.deepcopy(examples.of(question)[name])


def finite(value: Any) -> bool:
    if isinstance(value, dict | list):
        return all(finite(item) for item in (value.values() if isinstance(value, dict) else value))
    return not isinstance(value, float) or math.isfinite(value)


@pytest.mark.parametrize(("question", "name"), EXAMPLES)
def test_every_example_is_answered_in_every_form(client: TestClient[Any], question: str, name: str) -> None:
    payload = example(question, name)
    as_json = ask(client, question, payload)
    assert (as_json.status_code, as_json.headers["content-type"]) == (200, JSON)
    assert finite(as_json.json())
    typed = msgspec.json.decode(as_json.content, type=ANSWERS[question])
    packed = ask(client, question, payload, accept=MSGPACK, sent_as=MSGPACK)
    assert msgspec.msgpack.decode(packed.content, type=ANSWERS[question]) == typed
    told = ask(client, question, payload, accept=TEXT)
    assert told.headers["content-type"] == "text/plain; charset=utf-8"
    assert max(map(len, told.text.splitlines())) <= 100
    assert told.text.startswith(payload["machine"]["id"])
    assert "Take care" in told.text
    assert typed.cautions


@pytest.mark.parametrize(("question", "name"), EXAMPLES)
def test_the_command_line_gives_the_same_answers(
    client: TestClient[Any], tmp_path: Any, question: str, name: str
) -> None:
    file = tmp_path / "asked.json"
    file.write_bytes(examples.read(name))
    told = CliRunner().invoke(main, ["ask", question, str(file)])
    assert told.exit_code == 0
    assert told.output.rstrip() == ask(client, question, example(question, name), accept=TEXT).text.rstrip()


def test_what_moved_in_transport(client: TestClient[Any]) -> None:
    payload = example("comparisons", "moved-in-transport")
    found = ask(client, "comparisons", payload).json()
    assert found["moved"] is True
    assert [one["adjuster"] for one in found["adjusters"] if one["explains"]] == ["front-right"]
    same = ask(client, "comparisons", payload | {"after": payload["before"]}).json()
    assert same["moved"] is False
    assert same["total"]["change"] == 0.0
    assert "Not shown to have moved" in ask(client, "comparisons", payload | {"after": payload["before"]}, TEXT).text


def test_options_of_a_comparison_reach_the_answer(client: TestClient[Any]) -> None:
    payload = example("comparisons", "moved-in-transport")
    plain = ask(client, "comparisons", payload).json()
    kept = ask(client, "comparisons", payload | {"offset": "keep"}).json()
    finer = ask(client, "comparisons", payload | {"indicator_error": "common"}).json()
    held = ask(
        client, "comparisons", payload | {"solve": {"with": [{"solver": "three-screw", "hold": ["rear"]}]}}
    ).json()
    assert (plain["terms"][0]["change"], kept["terms"][0]["change"] is None) == (None, False)
    assert finer["terms"][1]["u"] < plain["terms"][1]["u"]
    assert held["adjusters"][2]["travel"] == pytest.approx(0.0, abs=1e-12)


def test_heat_is_told_with_its_numbers(client: TestClient[Any]) -> None:
    payload = example("comparisons", "cold-and-hot")
    heat = ask(client, "comparisons", payload).json()["heat"]
    # 23.6e-6/K (Callister, Table B.6), 39 K, 400 mm; alpha L² / (8 t) with t 8 mm
    assert heat["growth_x"] == pytest.approx(23.6e-6 * 39 * 400)
    assert heat["bows"][0]["per_kelvin"] == pytest.approx(23.6e-6 * 400**2 / 64)
    assert "kelvin" in ask(client, "comparisons", payload, TEXT).text


def test_lead_errors_are_told(client: TestClient[Any]) -> None:
    payload = example("height-checks", "unequal-leads")
    found = ask(client, "height-checks", payload).json()
    assert found["cause"] == "screws"
    # the invented machine lifts 22, -6 and -16 µm per 100 mm too far, which sums to nothing
    for one, error in zip(found["adjusters"], (22.0, -6.0, -16.0), strict=True):
        assert abs(one["per_100_mm"] - error) < 3 * one["u"]
    two = ask(client, "height-checks", payload | {"surveys": payload["surveys"][:2]})
    assert two.json()["uneven"] is None


Spoil = Callable[[dict[str, Any]], None]


def put(*keys: Any, value: Any) -> Spoil:
    def spoil(payload: dict[str, Any]) -> None:
        for key in keys[:-1]:
            payload = payload[key]
        payload[keys[-1]] = value

    return spoil


@pytest.mark.parametrize(
    ("question", "spoil", "pointer", "says"),
    [
        ("comparisons", lambda p: p.pop("after"), "/after", "missing"),
        ("comparisons", put("survey", value={}), "/survey", "known here: machine, before, after"),
        ("comparisons", put("offset", value="kept"), "/offset", "`free`, `keep`"),
        ("comparisons", put("indicator_error", value=True), "/indicator_error", "Expected"),
        ("comparisons", put("solve", value={"criterion": "minimum-zone"}), "/solve/criterion", "takes `with` alone"),
        ("comparisons", put("solve", value={"with": [{"solver": "four"}]}), "/solve/with/0/solver", "Installed"),
        ("comparisons", put("solve", value={"with": [{"solver": "rail-shim"}]}), "/machine/rails", "needs the rails"),
        ("comparisons", put("before", "readings", 3, "x", value=999), "/before/readings/3/x", "off the bed"),
        ("comparisons", put("after", "readings", 3, "value", value="0.1"), "/after/readings/3/value", "Expected"),
        ("comparisons", put("after", "readings", value=[]), "/after/readings", "three stations"),
        ("comparisons", put("after", "taken_at", value="soon"), "/after/taken_at", "RFC 3339"),
        ("comparisons", put("machine", "bed", "x", value=[400, 0]), "/machine/bed/x", "[low, high]"),
        ("height-checks", put("surveys", 1, "height", value=None), "/surveys/1/height", "Expected"),
        ("height-checks", lambda p: p["surveys"][1].pop("height"), "/surveys/1/height", "missing"),
        ("height-checks", lambda p: p["surveys"].__delitem__(slice(1, 3)), "/surveys", "another height"),
        ("height-checks", put("surveys", value=[]), "/surveys", "another height"),
        ("height-checks", put("surveys", 2, "readings", 0, "y", value=-1), "/surveys/2/readings/0/y", "off the bed"),
        ("height-checks", put("machine", "supports", value=[]), "/machine/supports", "three or four supports"),
        ("height-checks", lambda p: p["surveys"].extend(p["surveys"] * 11), "/surveys", "length"),
    ],
)
def test_what_is_wrong_is_pointed_at(
    client: TestClient[Any], question: str, spoil: Spoil, pointer: str, says: str
) -> None:
    payload = example(question, sorted(examples.of(question))[-1])
    spoil(payload)
    refused = ask(client, question, payload)
    assert (refused.status_code, refused.headers["content-type"]) == (422, "application/problem+json")
    (error,) = refused.json()["errors"]
    assert error["pointer"] == pointer
    assert says in error["detail"]


def test_all_faults_are_listed_at_once(client: TestClient[Any]) -> None:
    payload = example("comparisons", "moved-in-transport")
    put("before", "readings", 0, "x", value=-5)(payload)
    put("after", "readings", 7, "y", value=700)(payload)
    put("machine", "supports", 1, "id", value="rear")(payload)
    refused = ask(client, "comparisons", payload)
    assert {error["pointer"] for error in refused.json()["errors"]} == {
        "/before/readings/0/x", "/after/readings/7/y", "/machine/supports/2/id",
    }  # fmt: skip


VALUES: list[Any] = [
    0, 1, -1, 0.1, 1e-9, 1e3, 1e5, -1e5, True, None, "", "left", "inch", "keep", "common", [], {}, [0, 1], [-1, 1],
    [{"solver": "three-screw"}], [{"solver": "four-screw"}], "2026-05-04T09:30:00Z",
]  # fmt: skip


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a document: its container and its key."""
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        yield value, key
        yield from places(value[key])


@given(data=st.data(), chosen=st.sampled_from(EXAMPLES), form=st.sampled_from([JSON, TEXT]))
def test_a_spoilt_example_is_answered_or_refused(
    client: TestClient[Any], data: st.DataObject, chosen: tuple[str, str], form: str
) -> None:
    question, payload = chosen[0], example(*chosen)
    for _ in range(data.draw(st.integers(1, 3))):
        # machine, solve and the surveys' own members are spoilt as often as one of the many readings
        readings = data.draw(st.booleans())
        found = [place for place in places(payload) if readings or place[1] not in ("x", "y", "value")]
        if not found:
            break
        container, key = data.draw(st.sampled_from(found))
        what = data.draw(st.sampled_from(["remove", "scale", "replace", "repeat"]))
        if what == "remove":
            del container[key]
        elif what == "repeat" and isinstance(container, list):
            container.append(copy.deepcopy(container[key]))
        elif what == "scale" and type(container[key]) in (int, float):
            container[key] *= data.draw(st.sampled_from([-1, 0, 10, 1000, 1e-6]))
        else:
            container[key] = copy.deepcopy(data.draw(st.sampled_from(VALUES)))
    answer = ask(client, question, payload, accept=form)
    assert answer.status_code in {200, 422}, answer.text
    if answer.status_code == 422:
        assert all(len(error["detail"]) > 10 for error in answer.json()["errors"])
        assert answer.json()["errors"]
    elif form == JSON:
        assert finite(answer.json())
        assert b"null" not in answer.content or msgspec.json.decode(answer.content, type=ANSWERS[question])
