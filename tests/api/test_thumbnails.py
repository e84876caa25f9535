"""The bed as stored surveys found it, small and on one scale. All data invented."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

import pytest

from farm_client import KESTREL, Client, refused
from farm_payloads import machine, survey
from tramwright_service.maps.colours import BANDS, COLOURS, INKS, THEMES, Scale, Theme, palette_for

THUMBNAIL = f"{KESTREL}/surveys/1/thumbnail"
TILT = 0.45
MM_PER_INCH = 25.4  # exact: Barbrow & Judson, "Weights and Measures Standards of the United States", NBS SP 447 (1976)


def colours(svg: bytes, theme: Theme = "light") -> list[int]:
    """Numbers of the bands that a picture shows."""
    fills = re.findall(r'fill="(#\w+)"/>', svg.decode().partition("<clipPath")[2])
    return [COLOURS[theme].index(one) for one in fills]


@pytest.mark.parametrize("theme", THEMES)
def test_the_colours_are_those_of_large_maps(theme: Theme) -> None:
    mixed = palette_for(Scale(1.0, -BANDS // 2, BANDS), INKS[theme]).colours
    assert ["#" + bytes(round(255 * part) for part in one).hex() for one in mixed] == list(COLOURS[theme])


def test_every_machine_is_drawn_on_the_scale_asked_for(kestrel: Client) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey(TILT))
    drawn = kestrel.get(THUMBNAIL, params={"scale": 0.5})
    assert (drawn.status_code, drawn.headers["content-type"]) == (200, "image/svg+xml")
    # about the mean, from -0.225 to +0.225, in steps of 0.1
    assert colours(drawn.content) == [2, 3, 4, 5, 6, 7]
    assert colours(kestrel.get(THUMBNAIL, params={"scale": 0.1}).content) == list(range(BANDS))
    dark = kestrel.get(THUMBNAIL, params={"scale": 0.5, "theme": "dark"}).content
    assert colours(dark, "dark") == [2, 3, 4, 5, 6, 7]
    again = kestrel.get(THUMBNAIL, params={"scale": 0.5}, headers={"If-None-Match": drawn.headers["etag"]})
    assert (again.status_code, again.headers["cache-control"]) == (304, "private, max-age=3600")


def in_inches(document: Any) -> Any:
    """A payload with every number in inches."""
    if isinstance(document, dict):
        return {name: in_inches(value) for name, value in document.items()}
    if isinstance(document, list):
        return [in_inches(one) for one in document]
    return document / MM_PER_INCH if isinstance(document, float) else document


def test_a_machine_in_inches_has_the_colours_of_its_twin_in_millimetres(farm: Client) -> None:
    for name, entry, read in (
        ("heron", machine(), survey(TILT)),
        ("plover", in_inches(machine()), in_inches(survey(TILT))),
    ):
        entry["machine"]["units"] = "inch" if name == "plover" else "mm"
        assert farm.put(f"/v1/machines/{name}", json=entry).status_code == 201
        assert farm.post(f"/v1/machines/{name}/surveys", json=read).status_code == 201
    shown = [
        colours(farm.get(f"/v1/machines/{name}/surveys/1/thumbnail?scale=0.5").content) for name in ("heron", "plover")
    ]
    assert shown[0] == shown[1] == [2, 3, 4, 5, 6, 7]


def test_names_and_odd_surveys_make_sound_pictures(farm: Client) -> None:
    name = "<script>&\"'"
    path = "/v1/machines/%3Cscript%3E%26%22'"
    farm.put(path, json=machine())
    in_a_line = [{"x": x, "y": 40.0, "value": 0.0} for x in (20.0, 250.0, 480.0)]
    for readings in (survey(0.1)["survey"]["readings"], in_a_line):
        number = farm.post(f"{path}/surveys", json={"survey": {"readings": readings}}).json()["number"]
        root = ElementTree.fromstring(farm.get(f"{path}/surveys/{number}/thumbnail").content)
        assert str(root[0].text).startswith(name)


@pytest.mark.parametrize(
    "query", ["scale=nan", "scale=inf", "scale=-1", "scale=0", "scale=wide", "theme=pink", "theme="]
)
def test_a_scale_that_is_none_is_refused(kestrel: Client, query: str) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey())
    detail = refused(kestrel.get(f"{THUMBNAIL}?{query}"), 400, "bad-request")["detail"]
    assert detail.startswith(f"`{query.partition('=')[0]}`")


def test_what_is_not_there_is_not_drawn(kestrel: Client, client: Client) -> None:
    refused(kestrel.get(THUMBNAIL), 404, "not-found")
    refused(kestrel.get(THUMBNAIL, headers={"Accept": "image/png"}), 406, "not-acceptable")
    refused(client.get(THUMBNAIL), 404, "no-store")
