"""How stored machines stand, on SQLite and on PostgreSQL."""

from __future__ import annotations

import math
from base64 import urlsafe_b64encode
from typing import Any

import msgspec
import pytest

from farm_client import KESTREL, Client, refused
from farm_payloads import OUTSIDE, UNDECIDED, WITHIN, machine, survey
from tramwright_service.farm import times


def test_a_standing_is_that_of_the_survey_taken_last_and_says_what_a_visit_takes(kestrel: Client) -> None:
    def standing() -> dict[str, Any]:
        found: dict[str, Any] = kestrel.get(f"{KESTREL}/standing").json()
        assert kestrel.get("/v1/fleet").json()["machines"] == [found] == kestrel.get("/v1/machines").json()["machines"]
        return found

    never = standing()
    assert (never["standing"], never["total"], never["visit"]["do"]) == ("never-surveyed", None, "survey")
    today = times.shown(times.now())
    for tilt, expected in ((UNDECIDED, "undecided"), (WITHIN, "within"), (OUTSIDE, "outside")):
        stored = kestrel.post(f"{KESTREL}/surveys", json=survey(tilt, today)).json()
        now = standing()
        assert (now["standing"], now["survey"]) == (expected, stored["number"])
        assert now["total"] == stored["answer"]["as_found"]["total"]
    moved = [move["adjuster"] for move in stored["answer"]["moves"]]
    assert now["visit"] == {"do": "move", "adjusters": moved, "moves": len(moved)}
    assert now["stale_at"] is None
    # a survey of last year, posted late, does not tell how the machine stands
    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN, "2025-01-01T00:00:00Z"))
    assert standing()["standing"] == "outside"
    # once it has been moved, only another survey tells more
    kestrel.put(f"{KESTREL}/surveys/3/moves", json={"moves": [{"adjuster": moved[0], "travel": 0.1}]})
    assert standing()["visit"] == {"do": "survey", "adjusters": [], "moves": 0}


def test_a_survey_becomes_stale_by_age_and_by_another_description(kestrel: Client) -> None:
    def standing() -> Any:
        return kestrel.get(f"{KESTREL}/standing").json()["standing"]

    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN, times.shown(times.now() - 20 * times.DAY)))
    assert standing() == "within"
    kestrel.patch(KESTREL, json={"check_every": 19})
    assert standing() == "stale"
    assert kestrel.get("/v1/fleet").json()["counts"]["stale"] == 1
    assert kestrel.get("/v1/machines?standing=within").json()["machines"] == []
    kestrel.patch(KESTREL, json={"check_every": None})
    assert standing() == "within"
    kestrel.patch(KESTREL, json={"tags": ["lathe"]})
    assert standing() == "within"
    kestrel.patch(KESTREL, json={"machine": {"limit": {"total": 0.02}}})
    assert standing() == "stale"
    kestrel.patch(KESTREL, json={"machine": {"limit": {"total": 0.1}}})
    assert standing() == "within"
    # a clock that is ahead makes nothing fresh for longer
    kestrel.patch(KESTREL, json={"check_every": 1})
    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN, "2099-01-01T00:00:00Z"))
    assert times.read(kestrel.get(f"{KESTREL}/standing").json()["stale_at"]) <= times.now() + times.DAY


def test_the_fleet_is_listed_worst_first_with_counts_and_filters(farm: Client) -> None:
    now, old = times.shown(times.now()), "2025-01-01T00:00:00Z"
    planned = {
        "avocet": ("outside", survey(OUTSIDE, now), {}),
        "curlew": ("outside", survey(2 * OUTSIDE, old), {}),
        "dunlin": ("undecided", survey(UNDECIDED, now), {"tags": ["mill"]}),
        "gannet": ("never-surveyed", None, {"site": "hall 2"}),
        "heron": ("stale", survey(WITHIN, "2025-02-01T00:00:00Z"), {"check_every": 10}),
        "kestrel": ("stale", survey(WITHIN, old), {"check_every": 10, "site": "hall 2"}),
        "linnet": ("within", survey(WITHIN, now), {"tags": ["mill"], "site": "hall 2"}),
        "plover": ("within", survey(0.02, now), {}),
    }
    for name, (_, sent, more) in planned.items():
        assert farm.put(f"/v1/machines/{name}", json=machine(**more)).status_code == 201
        if sent is not None:
            assert farm.post(f"/v1/machines/{name}/surveys", json=sent).status_code == 201
    order = ["curlew", "avocet", "dunlin", "gannet", "kestrel", "heron", "plover", "linnet"]
    whole = farm.get("/v1/fleet").json()
    assert [row["id"] for row in whole["machines"]] == order
    assert {row["id"]: row["standing"] for row in whole["machines"]} == {name: one[0] for name, one in planned.items()}
    assert whole["counts"] == {"outside": 2, "undecided": 1, "never_surveyed": 1, "stale": 2, "within": 2}
    for size in (1, 2, 3, 5):
        found, path = [], f"/v1/fleet?limit={size}"
        while path:
            page = farm.get(path)
            found += [row["id"] for row in page.json()["machines"]]
            path = page.links["next"]["url"] if "next" in page.links else ""
        assert found == order
    for query, names in (
        ("standing=stale", ["kestrel", "heron"]),
        ("site=hall 2", ["gannet", "kestrel", "linnet"]),
        ("tag=mill", ["dunlin", "linnet"]),
        ("tag=mill&site=hall 2&standing=within", ["linnet"]),
        ("tag=none", []),
    ):
        page = farm.get(f"/v1/fleet?{query}").json()
        assert [row["id"] for row in page["machines"]] == names
        assert sum(page["counts"].values()) == len(names)
        assert {row["id"] for row in farm.get(f"/v1/machines?{query}").json()["machines"]} == set(names)


def made_up(*parts: Any) -> str:
    """A cursor that no list has given out."""
    packed = msgspec.msgpack.encode(parts[0] if len(parts) == 1 else parts)
    return urlsafe_b64encode(packed).decode().rstrip("=")


@pytest.mark.parametrize(
    ("path", "cursor"),
    [
        ("fleet", (0, 0.5, "a", 2**64 - 1)),
        ("fleet", (0, 0.5, "a", -(2**63))),
        ("fleet", (3, 1e300, "a", 1)),
        ("fleet", (3, math.nan, "a", 1)),
        ("fleet", (0, math.inf, "a", 1)),
        ("fleet", (0, 0.5, "a\0", 1)),
        ("fleet", (99, 0.5, "a", 1)),
        ("fleet", (-5, 0.5, "a", 1)),
        ("machines", ("a\0",)),
        ("machines/kestrel/surveys", (2**63 - 1,)),
        ("machines/kestrel/notes", (2**64 - 1,)),
        ("machines/kestrel/notes", (-1,)),
        ("machines/kestrel/history", (2**64 - 1, 1)),
        ("machines/kestrel/history", (-(2**63), 1)),
        ("machines/kestrel/history", (1, 2**31)),
    ],
)
def test_a_cursor_that_is_made_up_is_refused(kestrel: Client, path: str, cursor: tuple[Any, ...]) -> None:
    problem = refused(kestrel.get(f"/v1/{path}?cursor={made_up(*cursor)}"), 400, "bad-request")
    assert "`cursor`" in problem["detail"]


@pytest.mark.parametrize("number", [-(2**66), -(2**31), -1, 0, 2, 2**31, 2**63, 2**66])
def test_a_number_that_nothing_has_is_not_found(kestrel: Client, number: int) -> None:
    assert kestrel.post(f"{KESTREL}/surveys", json=survey()).status_code == 201
    for path in (f"surveys/{number}", f"surveys/{number}/moves", f"surveys/1/comparison?before={number}"):
        refused(kestrel.get(f"{KESTREL}/{path}"), 404, "not-found")
    refused(kestrel.get(f"{KESTREL}/versions/{number}"), 404, "not-found")


def test_what_is_wrong_with_a_parameter_is_said(kestrel: Client) -> None:
    problem = refused(kestrel.get("/v1/machines?limit=0&cursor=" + "a" * 1001), 400, "bad-request")
    assert problem["detail"] == (
        "`limit`: Expected `int` >= 1; `cursor`: Expected `str` of length <= 1000; change it, or leave it out."
    )
