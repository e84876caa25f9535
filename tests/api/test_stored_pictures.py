"""Maps, sheets and every other form of stored corrections and comparisons, on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from farm_client import KESTREL, Client, refused
from farm_payloads import OUTSIDE, UNDECIDED, machine, survey

SVG, PDF, HTML = "image/svg+xml", "application/pdf", "text/html"
FORMS = ["application/json", "application/msgpack", "text/plain", SVG, "image/png", PDF]
PLAINLY = {"accept-encoding": "identity"}


@pytest.fixture
def surveyed(kestrel: Client) -> Client:
    """A machine with two surveys and moves between them."""
    kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE, "2026-03-01T08:00:00Z"))
    kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": [{"adjuster": "right", "travel": -0.4}]})
    kestrel.post(f"{KESTREL}/surveys", json=survey(UNDECIDED, "2026-03-01T10:00:00Z"))
    return kestrel


def asked(*numbers: int, **options: Any) -> bytes:
    """The request that the store puts together, as a client would send it."""
    described = {**machine()["machine"], "id": "kestrel"}
    tilts, times = (OUTSIDE, UNDECIDED), ("2026-03-01T08:00:00Z", "2026-03-01T10:00:00Z")
    read = [survey(tilt, time)["survey"] for tilt, time in zip(tilts, times, strict=True)]
    names = ["survey"] if len(numbers) == 1 else ["before", "after"]
    whole = {"machine": described, **{name: read[at - 1] for name, at in zip(names, numbers, strict=True)}, **options}
    if numbers == (2,):
        moves = [{"adjuster": "right", "travel": -0.4}]
        whole["survey"]["previous"] = {"readings": read[0]["readings"], "moves": moves}
    return json.dumps(whole).encode()


@pytest.mark.parametrize(("accept", "theme"), [*((form, "") for form in FORMS), (SVG, "?theme=dark")])
def test_every_form_is_that_of_the_same_request_sent(surveyed: Client, accept: str, theme: str) -> None:
    headers = {"accept": accept, "content-type": "application/json"}
    for path, route, body in (
        ("1/correction", "corrections", asked(1)),
        ("2/correction", "corrections", asked(2)),
        ("2/comparison", "comparisons", asked(1, 2)),
        ("1/comparison", "comparisons", asked(2, 1, offset="keep", indicator_error="common")),
    ):
        query = theme
        if path == "1/comparison":
            query = f"?before=2&offset=keep&indicator_error=common{theme.replace('?', '&')}"
        stored = surveyed.get(f"{KESTREL}/surveys/{path}{query}", headers={"accept": accept})
        sent = surveyed.post(f"/v1/{route}{theme}", content=body, headers=headers)
        assert (stored.status_code, stored.headers["content-type"]) == (200, sent.headers["content-type"])
        if accept == PDF and route == "corrections":  # a sheet, which says by a digest which bytes it answers
            assert stored.content.startswith(b"%PDF-")
        else:
            assert stored.content == sent.content, path


def test_a_stored_correction_has_a_sheet_and_a_browser_gets_it(surveyed: Client) -> None:
    path = f"{KESTREL}/surveys/2/correction"
    sheet = surveyed.get(path, headers={"accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
    sent = surveyed.post(
        "/v1/corrections", content=asked(2), headers={"accept": HTML, "content-type": "application/json"}
    )
    assert (sheet.status_code, sheet.headers["content-type"]) == (200, "text/html; charset=utf-8")
    for name in ("content-security-policy", "content-type"):
        assert sheet.headers[name] == sent.headers[name]
    # each says by a digest which request it answers; that of the store is the one that the survey's record names
    digest = re.compile(r"\b[0-9a-f]{64}\b")
    assert digest.sub("", sheet.text) == digest.sub("", sent.text)
    assert digest.findall(sheet.text) == [surveyed.get(f"{KESTREL}/surveys/2").json()["input"]]
    refused(surveyed.get(f"{KESTREL}/surveys/2/comparison", headers={"accept": HTML}), 406, "not-acceptable")


@pytest.mark.parametrize("accept", [*FORMS, HTML])
def test_who_has_it_is_not_sent_it_again(surveyed: Client, accept: str) -> None:
    path, headers = f"{KESTREL}/surveys/2/correction", {"accept": accept, **PLAINLY}
    first = surveyed.get(path, headers=headers)
    tag = first.headers["etag"]
    again = surveyed.get(path, headers={**headers, "if-none-match": tag})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    other = surveyed.get(f"{KESTREL}/surveys/1/correction", headers={**headers, "if-none-match": tag})
    assert (other.status_code, other.headers["etag"] != tag) == (200, True)
    assert "accept" in first.headers["vary"]


def test_a_map_is_drawn_once_and_light_and_dark_are_two(surveyed: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    path, drawn = f"{KESTREL}/surveys/1/correction", list[str]()

    def counted(drawing: Any, kind: str, theme: str) -> bytes:
        drawn.append(theme)
        return f"{kind} {theme} {len(drawn)}".encode()

    surveyed.patch(KESTREL, json={"machine": {"limit": {"total": 0.07}}})  # which no other test has drawn
    number = surveyed.post(f"{KESTREL}/surveys", json=survey(OUTSIDE)).json()["number"]
    path = f"{KESTREL}/surveys/{number}/correction"
    monkeypatch.setattr("tramwright_service.maps.figure.picture", counted)
    light, again, dark = (surveyed.get(f"{path}{query}", headers={"accept": SVG}) for query in ("", "", "?theme=dark"))
    assert drawn == ["light", "dark"]
    assert light.content == again.content != dark.content
    assert light.headers["etag"] == again.headers["etag"] != dark.headers["etag"]
    told = refused(surveyed.get(f"{path}?theme=pink", headers={"accept": SVG}), 400, "bad-request")
    assert "`theme` is one of" in told["detail"]
