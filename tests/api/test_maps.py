"""Answers as pictures, asked for by Accept. All data invented."""

from __future__ import annotations

import copy
import io
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from litestar.testing import TestClient
from PIL import Image

from tramwright_service.catalogue import examples
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry

CORRECTIONS = "/v1/corrections"
SVG, PNG, PDF = "image/svg+xml", "image/png", "application/pdf"
NAMESPACE = "{http://www.w3.org/2000/svg}"
SCRIPT = "<script>alert(1)</script>"


def ask(client: TestClient[Any], payload: dict[str, Any], accept: str, query: str = "") -> Any:
    return client.post(CORRECTIONS + query, json=payload, headers={"Accept": accept})


def words(svg: bytes) -> list[str]:
    """All that is written in a picture, one entry a line."""
    return [one.text or "" for one in ElementTree.fromstring(svg).iter(f"{NAMESPACE}text")]


@pytest.mark.parametrize("name", sorted(examples.corrections()))
def test_every_example_is_drawn_small_and_well_formed(client: TestClient[Any], name: str) -> None:
    payload = examples.corrections()[name]
    answer, drawn = ask(client, payload, "application/json").json(), ask(client, payload, SVG)
    assert (drawn.status_code, drawn.headers["content-type"], drawn.headers["vary"]) == (200, SVG, "accept")
    assert len(drawn.content) < 80_000
    root = ElementTree.fromstring(drawn.content)
    title, tells = root.findall(f"{NAMESPACE}title") + root.findall(f"{NAMESPACE}desc")
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {tells.get('id')}"
    assert answer["machine"] in str(title.text)
    said = words(drawn.content)
    for move in answer["moves"]:
        assert move["adjuster"] in said
        assert move["adjuster"] in str(tells.text)
        assert any(
            re.search(rf"{'up' if move['travel'] > 0 else 'down'} {abs(move['travel']):.3f}", one) for one in said
        )
        assert move["degrees"] is None or f"{move['degrees']:.1f}° {move['direction']}" in said


@pytest.mark.parametrize("noise", [0.001, 0.01, 0.03])
def test_four_hundred_uneven_stations_are_drawn_small(client: TestClient[Any], noise: float) -> None:
    """Invented readings: a twist, and noise about as high as a contour step, which is where lines are longest."""
    payload, random = examples.corrections()["twisted-frame"], np.random.default_rng(1)
    payload["survey"]["readings"] = [
        {"x": x, "y": y, "value": round(2e-6 * (x - 250) * (y - 250) + random.normal(0, noise), 3)}
        for x in np.linspace(20, 480, 20).tolist()
        for y in np.linspace(20, 480, 20).tolist()
    ]
    assert len(ask(client, payload, SVG).content) < 80_000


@pytest.mark.parametrize(
    ("accept", "begins"), [(SVG, b"<svg"), (PNG, b"\x89PNG"), (PDF, b"%PDF"), ("image/*", b"<svg")]
)
def test_accept_decides_the_kind_of_picture(
    client: TestClient[Any], payload: dict[str, Any], accept: str, begins: bytes
) -> None:
    drawn = ask(client, payload, accept)
    assert drawn.content.startswith(begins)
    assert drawn.headers["content-type"] == (SVG if accept == "image/*" else accept)


@pytest.mark.parametrize("accept", [SVG, PNG, PDF])
def test_equal_requests_have_equal_pictures(registry: Registry, payload: dict[str, Any], accept: str) -> None:
    """Drawn twice by two services, so that none comes from what is kept."""
    drawn = []
    for _ in range(2):
        with TestClient(create_app(Settings(log_level="error"), registry)) as client:
            drawn.append(ask(client, payload, accept).content)
    assert drawn[0] == drawn[1]


def test_in_the_midst_of_the_work_the_map_is_of_the_machine_as_it_is_now(client: TestClient[Any]) -> None:
    payload = examples.corrections()["after-two-steps"]
    answer, drawn = ask(client, payload, "application/json").json(), ask(client, payload, SVG)
    said, progress = words(drawn.content), answer["progress"]
    assert said.count("Now, after 2 steps") == said.count("After the rest, predicted") == 1
    assert "As found" not in said
    gaps = [one["gap"] for one in progress["stations"]]
    middle = sum(gaps) / len(gaps)
    assert {f"{max(gaps) - middle:+.3f}", f"{min(gaps) - middle:+.3f}"} <= set(said)
    assert f"Total {progress['now']['total']:.3f} ± {progress['now']['expanded']:.3f} mm (± U, k = 1.64)" in said
    (tells,) = ElementTree.fromstring(drawn.content).findall(f"{NAMESPACE}desc")
    assert f"Now, after 2 steps, the total is {progress['now']['total']:.3f} mm" in str(tells.text)


def test_a_theme_is_light_or_dark(client: TestClient[Any], payload: dict[str, Any]) -> None:
    light, dark = (ask(client, payload, SVG, query).text for query in ("", "?theme=dark"))
    assert light == ask(client, payload, SVG, "?theme=light").text
    assert 'fill="#ffffff"' in light
    assert 'fill="#ffffff"' not in dark
    refused = ask(client, payload, PNG, "?theme=dusk")
    assert refused.status_code == 400
    assert "`light`, `dark`" in refused.json()["detail"]
    for query in ("?theme=dusk", "?theme="):
        assert ask(client, payload, "application/json", query).status_code == 400
    assert ask(client, payload, "application/json", "?theme=dark").status_code == 200
    corners = [
        Image.open(io.BytesIO(ask(client, payload, PNG, query).content)).convert("L").getpixel((0, 0))
        for query in ("", "?theme=dark")
    ]
    assert corners[0] == 255
    assert isinstance(corners[1], int)
    assert corners[1] < 40


@pytest.mark.parametrize("name", [SCRIPT, "$x^2$ & \\frac", "鷺-07 🦩 عصفور", "%s {0} ]]> -->", "p" * 64])
def test_a_name_is_text_in_every_picture(client: TestClient[Any], payload: dict[str, Any], name: str) -> None:
    spoilt = copy.deepcopy(payload)
    spoilt["machine"]["id"] = name
    spoilt["machine"]["supports"][0]["id"] = name
    drawn = ask(client, spoilt, SVG)
    assert drawn.status_code == 200
    root = ElementTree.fromstring(drawn.content)
    assert {one.tag for one in root.iter()} <= {
        NAMESPACE + tag for tag in ("svg", "title", "desc", "g", "path", "text", "defs", "clipPath", "use", "pattern")
    }
    assert any(name in one for one in words(drawn.content))
    assert not re.search(r"\son\w+=|\sstyle=|href=\"(?!#)", drawn.text)
    for accept in (PNG, PDF):
        assert ask(client, spoilt, accept).status_code == 200


def test_the_widest_name_is_written_whole(client: TestClient[Any], payload: dict[str, Any]) -> None:
    payload["machine"]["id"] = "W" * 64
    picture = np.asarray(Image.open(io.BytesIO(ask(client, payload, PNG).content)).convert("L"))
    assert (picture[:, -20:] > 250).all()  # the margin on the right


def test_what_is_wrong_is_told_as_for_any_other_form(client: TestClient[Any], payload: dict[str, Any]) -> None:
    payload["survey"]["readings"][3]["x"] = 1e4
    plain, drawn = (ask(client, payload, accept) for accept in ("application/json", SVG))
    assert drawn.status_code == plain.status_code == 422
    assert drawn.json()["errors"] == plain.json()["errors"]


def test_pictures_are_kept_as_far_as_there_is_room(registry: Registry, payload: dict[str, Any]) -> None:
    def kept(client: TestClient[Any]) -> float:
        (line,) = re.findall(r"^tramwright_map_cache_bytes (\S+)$", client.get("/metrics").text, re.MULTILINE)
        return float(line)

    with TestClient(create_app(Settings(log_level="error", map_cache=60_000), registry)) as client:
        sizes = []
        for number in range(4):
            payload["machine"]["id"] = f"heron-{number}"
            sizes.append(len(ask(client, payload, SVG).content))
            assert 0 < kept(client) <= 60_000
        assert sum(sizes) > 60_000
    with TestClient(create_app(Settings(log_level="error", map_cache=0), registry)) as client:
        assert ask(client, payload, SVG).status_code == 200
        assert kept(client) == 0


QUESTIONS = {
    f"{folder}/{name}": payload
    for folder in ("comparisons", "reversals", "survey-plans")
    for name, payload in examples.of(folder).items()
}


@pytest.mark.parametrize("example", sorted(QUESTIONS))
def test_the_other_questions_are_drawn_too(client: TestClient[Any], example: str) -> None:
    route, payload = f"/v1/{example.partition('/')[0]}", QUESTIONS[example]
    drawn = client.post(route, json=payload, headers={"Accept": SVG})
    assert (drawn.status_code, drawn.headers["content-type"]) == (200, SVG)
    assert len(drawn.content) < 80_000
    answer = client.post(route, json=payload).json()
    assert answer["machine"] in words(drawn.content)[0]
    for accept, begins in ((PNG, b"\x89PNG"), (PDF, b"%PDF")):
        assert client.post(route, json=payload, headers={"Accept": accept}).content.startswith(begins)


def test_what_has_no_map_says_so(client: TestClient[Any]) -> None:
    (payload,) = examples.of("height-checks").values()
    refused = client.post("/v1/height-checks", json=payload, headers={"Accept": SVG})
    assert refused.status_code == 406
    assert SVG not in refused.json()["detail"]


def test_a_plan_shows_its_stations_in_order_and_what_is_kept_out(client: TestClient[Any]) -> None:
    payload = examples.of("survey-plans")["clipped-bed"]
    drawn = client.post("/v1/survey-plans", json=payload, headers={"Accept": SVG})
    count = client.post("/v1/survey-plans", json=payload).json()["plan"]["count"]
    assert {str(number) for number in range(1, count + 1)} <= set(words(drawn.content))
    assert drawn.text.count("url(#h") == len(payload["keep_out"])  # type: ignore[arg-type]  # a payload is any JSON


def test_a_comparison_without_a_common_station_is_drawn_without_values(client: TestClient[Any]) -> None:
    payload = copy.deepcopy(examples.of("comparisons")["moved-in-transport"])
    for reading in payload["after"]["readings"]:  # type: ignore[index]  # a payload is any JSON
        reading["x"] += 5
    drawn = client.post("/v1/comparisons", json=payload, headers={"Accept": SVG})
    assert drawn.status_code == 200
    assert "No station is in both surveys" in words(drawn.content)


KEPT = Path(__file__).parents[2] / "openapi/examples/twisted-frame.svg"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def test_the_map_beside_the_examples_is_the_one_that_is_drawn(client: TestClient[Any]) -> None:
    """Made by `tramwright correct openapi/examples/twisted-frame.json --map openapi/examples/twisted-frame.svg`.

    Places are compared to a tenth of a point, since processors differ in the last digit, and lengths to the last digit
    shown, for half of one is rounded up or down; words exactly.
    """
    drawn, kept = ask(client, examples.corrections()["twisted-frame"], SVG).text, KEPT.read_text()
    told, expected = ("\n".join(words(one.encode())) for one in (drawn, kept))
    assert NUMBER.sub("0", told) == NUMBER.sub("0", expected)
    assert numbers(told) == pytest.approx(numbers(expected), abs=1.1e-3)
    for one, other in zip(re.findall(r' d="([^"]*)"', drawn), re.findall(r' d="([^"]*)"', kept), strict=True):
        assert numbers(one) == pytest.approx(numbers(other), abs=0.11)


def numbers(text: str) -> list[float]:
    return [float(one) for one in NUMBER.findall(text)]
