"""The sheet for the machine, as a page and as PDF. All data invented."""

from __future__ import annotations

import copy
import json
import re
from base64 import b64decode, b64encode
from hashlib import sha256
from html.parser import HTMLParser
from typing import Any
from xml.etree import ElementTree

import pytest
from litestar.testing import TestClient

from tramwright_service.catalogue import examples

CORRECTIONS = "/v1/corrections"
HTML, PDF = "text/html", "application/pdf"
SCRIPT = "<script>alert(1)</script>"
BROWSER = "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,image/webp,*/*;q=0.8"


class Page(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.said: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.said.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.said).split())


def ask(client: TestClient[Any], payload: dict[str, Any], accept: str) -> Any:
    headers = {"Accept": accept, "Content-Type": "application/json"}
    return client.post(CORRECTIONS, content=json.dumps(payload).encode(), headers=headers)


@pytest.mark.parametrize("name", sorted(examples.corrections()))
def test_a_sheet_says_all_that_is_needed_at_the_machine(client: TestClient[Any], name: str) -> None:
    payload = examples.corrections()[name]
    answer, sheet = ask(client, payload, "application/json").json(), ask(client, payload, HTML)
    assert (sheet.status_code, sheet.headers["content-type"]) == (200, "text/html; charset=utf-8")
    page = Page(sheet.text)
    order = [answer["says"], *answer["cautions"], *(step["do"] for step in answer["steps"])]
    places = [page.text.index(" ".join(said.split())) for said in order]
    assert places == sorted(places), "verdict, cautions, steps"
    assert sheet.text.count('class="read"') == len(answer["steps"]), "a box to write in for each step"
    assert sha256(json.dumps(payload).encode()).hexdigest() in page.text
    for solver, version in answer["solver_versions"].items():
        assert f"{solver} {version}" in page.text
    for said in ("± U, k = 1.64", "dial goal", "done by", answer["machine"]):
        assert said in page.text


def test_a_sheet_in_the_midst_of_the_work_is_of_the_rest_of_it(client: TestClient[Any]) -> None:
    payload = examples.corrections()["after-two-steps"]
    fresh = {name: value for name, value in payload.items() if name != "done"}
    page, before = Page(ask(client, payload, HTML).text), Page(ask(client, fresh, HTML).text)
    progress = ask(client, payload, "application/json").json()["progress"]
    now = progress["now"]
    assert f"now {now['total']:.3f} ± {now['expanded']:.3f} mm" in page.text
    parts = ("Made already", "What is left to do, in this order", "To blame as found")
    places = [page.text.find(part) for part in parts]
    assert places == sorted(places)
    assert -1 not in places
    assert all(step["says"] in page.text[slice(*places[:2])] for step in progress["steps"])
    (tells,) = [value for tag, name, value in page.attributes if (tag, name) == ("img", "alt")]
    assert f"Now, after 2 steps, the total is {now['total']:.3f} mm" in tells
    assert "What to do, in this order 1 " in re.sub(r" dial (before|goal|read)", "", before.text)
    assert "What is left to do, in this order 3 " in re.sub(r" dial (before|goal|read)", "", page.text)
    assert "Made already" not in before.text


def test_a_browser_gets_the_sheet_and_a_program_json(client: TestClient[Any], payload: dict[str, Any]) -> None:
    for accept, expected in ((BROWSER, HTML), ("*/*", "application/json"), ("text/*", "text/plain")):
        assert ask(client, payload, accept).headers["content-type"].startswith(expected)


def test_a_sheet_asks_nobody_for_anything(client: TestClient[Any], payload: dict[str, Any]) -> None:
    sheet = ask(client, payload, HTML)
    policy, page = sheet.headers["content-security-policy"], Page(sheet.text)
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    ((style,), (own,)) = (
        re.findall(r"<style>(.*?)</style>", sheet.text, re.DOTALL),
        re.findall(r"'sha256-(.*?)'", policy),
    )
    assert b64encode(sha256(style.encode()).digest()).decode() == own
    assert ("meta", "content", policy) in page.attributes, "the same where it is saved"
    assert not {"script", "iframe", "object", "form", "a"} & set(page.tags)
    assert "style" not in {name for _, name, _ in page.attributes}
    loaded = [value for _, name, value in page.attributes if name in ("src", "href")]
    assert loaded
    assert all(value.startswith("data:") for value in loaded)
    assert "url(" not in style
    assert "@import" not in style


def test_a_name_is_text_on_the_sheet_and_in_its_map(client: TestClient[Any], payload: dict[str, Any]) -> None:
    payload["machine"]["id"] = SCRIPT
    payload["machine"]["supports"][1]["id"] = '"><img src=x onerror=alert(1)>'
    sheet = ask(client, payload, HTML)
    page = Page(sheet.text)
    assert "script" not in page.tags
    assert page.tags.count("img") == 1
    assert SCRIPT in page.text
    (source,) = [value for tag, name, value in page.attributes if (tag, name) == ("img", "src")]
    ElementTree.fromstring(b64decode(source.partition("base64,")[2]))
    assert ask(client, payload, PDF).status_code == 200


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", pdf))


@pytest.mark.parametrize("name", sorted(examples.corrections()))
def test_on_paper_it_is_one_page_and_the_map(client: TestClient[Any], name: str) -> None:
    drawn = ask(client, examples.corrections()[name], PDF)
    assert drawn.headers["content-type"] == PDF
    assert pages(drawn.content) == 2
    assert re.findall(rb"/MediaBox \[ 0 0 (\d+) (\d+)", drawn.content) == [(b"595", b"842"), (b"842", b"595")]


def test_a_bed_that_is_left_alone_has_a_sheet_too(client: TestClient[Any], payload: dict[str, Any]) -> None:
    flat = copy.deepcopy(payload)
    for reading in flat["survey"]["readings"]:
        reading["value"] = 0.0
    sheet = ask(client, flat, HTML)
    assert ask(client, flat, "application/json").json()["moves"] == []
    assert sheet.status_code == 200
    assert 'class="read"' not in sheet.text
    assert ask(client, flat, PDF).status_code == 200
