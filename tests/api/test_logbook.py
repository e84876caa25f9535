"""Moves and notes of stored machines, what is learnt from them, and surveys compared."""

from __future__ import annotations

from farm_client import KESTREL, Client, refused
from farm_payloads import OUTSIDE, machine, survey
from tramwright_service.catalogue import examples


def test_the_next_survey_learns_from_the_moves_recorded_as_if_they_had_been_sent(farm: Client) -> None:
    shipped = examples.corrections()["second-pass"]
    described = {**shipped["machine"], "id": "kestrel"}
    previous = shipped["survey"]["previous"]
    last = {name: value for name, value in shipped["survey"].items() if name != "previous"}
    farm.put(KESTREL, json={"machine": described})
    first = farm.post(
        f"{KESTREL}/surveys", json={"survey": {"readings": previous["readings"], "taken_at": "2026-05-01T08:00:00Z"}}
    )
    assert first.json()["learnt_from"] == []
    refused(farm.get(f"{KESTREL}/surveys/1/moves"), 404, "not-found")
    wrong = [{"adjuster": "no-such", "travel": 1}]
    assert (
        refused(farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": wrong}), 422, "invalid")["errors"][0]["pointer"]
        == "/moves/0/adjuster"
    )
    mistyped = [{**move, "travel": -move["travel"]} for move in previous["moves"]]
    assert farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": mistyped}).json()["entry"] == 1
    recorded = farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": previous["moves"], "note": "by hand"}).json()
    assert (recorded["entry"], recorded["moves"], recorded["note"]) == (2, previous["moves"], "by hand")
    assert farm.get(f"{KESTREL}/surveys/1/moves").json() == recorded
    second = farm.post(f"{KESTREL}/surveys", json={"survey": last}).json()
    assert second["learnt_from"] == [1]
    alone = farm.post("/v1/corrections", json={"machine": described, "survey": shipped["survey"]}).content
    assert farm.get(f"{KESTREL}/surveys/2/correction").content == alone
    # what is recorded later does not change what was answered
    farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": []})
    assert farm.get(f"{KESTREL}/surveys/2/correction").content == alone
    # a third pass learns from both; one whose passes come with it does not look into the store
    farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": previous["moves"]})
    farm.put(f"{KESTREL}/surveys/2/moves", json={"moves": [{"adjuster": "rear", "travel": 0.05}]})
    assert farm.post(f"{KESTREL}/surveys", json={"survey": last}).json()["learnt_from"] == [1, 2]
    assert farm.post(f"{KESTREL}/surveys", json={"survey": shipped["survey"]}).json()["learnt_from"] == []
    assert farm.get(f"{KESTREL}/surveys").json()["surveys"][2]["moved"] is True


def test_moves_of_another_description_are_not_learnt_from(kestrel: Client) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE))
    kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": [{"adjuster": "left", "travel": 0.2}]})
    kestrel.patch(KESTREL, json={"machine": {"units": "inch"}})
    assert kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE)).json()["learnt_from"] == []
    assert [row["units"] for row in kestrel.get(f"{KESTREL}/surveys").json()["surveys"]] == ["inch", "mm"]
    twice = [{"adjuster": "left", "travel": 0.2}, {"adjuster": "left", "travel": 0.1}]
    refused(kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": twice}), 422, "invalid")
    refused(kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": [], "made_at": "noon"}), 422, "invalid")
    refused(kestrel.put(f"{KESTREL}/surveys/9/moves", json={"moves": []}), 404, "not-found")


def test_any_two_surveys_are_compared_as_if_they_had_been_sent(kestrel: Client) -> None:
    tilts = (0.0, 0.1, 0.3)
    for tilt in tilts:
        kestrel.post(f"{KESTREL}/surveys", json=survey(tilt))
    described = {**machine()["machine"], "id": "kestrel"}
    for number, before, query in (
        (2, 1, ""),
        (3, 1, "?before=1"),
        (1, 3, "?before=3&offset=keep&indicator_error=common"),
    ):
        options = {"offset": "keep", "indicator_error": "common"} if "keep" in query else {}
        asked = {
            "machine": described,
            "before": survey(tilts[before - 1])["survey"],
            "after": survey(tilts[number - 1])["survey"],
            **options,
        }
        path = f"{KESTREL}/surveys/{number}/comparison{query}"
        assert kestrel.get(path).content == kestrel.post("/v1/comparisons", json=asked).content
    refused(kestrel.get(f"{KESTREL}/surveys/1/comparison"), 404, "not-found")
    refused(kestrel.get(f"{KESTREL}/surveys/2/comparison?before=7"), 404, "not-found")
    refused(kestrel.get(f"{KESTREL}/surveys/2/comparison?offset=lost"), 400, "bad-request")


def test_surveys_read_in_different_units_are_not_compared(kestrel: Client) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE))
    kestrel.patch(KESTREL, json={"machine": {"units": "inch", "limit": {"total": 0.004}}}).raise_for_status()
    kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE)).raise_for_status()
    problem = refused(kestrel.get(f"{KESTREL}/surveys/2/comparison"), 422, "invalid")
    assert "mm" in problem["detail"]
    assert "inch" in problem["detail"]


def test_notes_are_kept(kestrel: Client) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey())
    told = kestrel.post(f"{KESTREL}/notes", json={"text": "ran into the vice\nspindle checked", "survey": 1})
    assert (told.status_code, told.json()["note"], told.json()["survey"]) == (201, 1, 1)
    assert kestrel.get(f"{KESTREL}/notes").json()["notes"] == [told.json()]
    refused(kestrel.post(f"{KESTREL}/notes", json={"text": "x", "survey": 2}), 404, "not-found")
    refused(kestrel.post(f"{KESTREL}/notes", json={"text": "\u202e"}), 422, "invalid")
    refused(kestrel.post("/v1/machines/wren/notes", json={"text": "x"}), 404, "not-found")
