"""Examples spoilt at random places: whatever becomes of them, the service answers or refuses, and never fails."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Iterator
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from litestar.testing import TestClient

from tramwright_service.catalogue import examples

EXAMPLES = sorted(examples.corrections().items())
VALUES: list[Any] = [
    0, 1, -1, 0.1, -0.05, 1e-9, 1e3, 1e5, -1e5, 90, True, None, "", "left", "shim", "inch", "keep", "minimum-zone",
    [], {}, [0, 1], [-1, 1], [-1e-9, 1e-9], ["front-left"], [0.05, 0.1], [{"solver": "rail-shim"}],
    "2026-05-04T09:30:00Z",
]  # fmt: skip


def places(value: Any) -> Iterator[tuple[Any, Any]]:
    """Every place in a document: its container and its key."""
    keys = list(value) if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        yield value, key
        yield from places(value[key])


def finite(value: Any) -> bool:
    if isinstance(value, dict | list):
        return all(finite(item) for item in (value.values() if isinstance(value, dict) else value))
    return not isinstance(value, float) or math.isfinite(value)


@given(data=st.data(), chosen=st.sampled_from(EXAMPLES), form=st.sampled_from(["application/json", "text/plain"]))
def test_a_spoilt_example_is_answered_or_refused(
    client: TestClient[Any], data: st.DataObject, chosen: tuple[str, dict[str, object]], form: str
) -> None:
    payload: dict[str, Any] = copy.deepcopy(chosen[1])
    payload.setdefault("solve", {})["time_limit"] = 0.5
    for _ in range(data.draw(st.integers(1, 3))):
        container, key = data.draw(st.sampled_from(list(places(payload)) or [(payload, "machine")]))
        what = data.draw(st.sampled_from(["remove", "scale", "replace", "repeat"]))
        if what == "remove":
            del container[key]
        elif what == "repeat" and isinstance(container, list):
            container.append(copy.deepcopy(container[key]))
        elif what == "scale" and type(container[key]) in (int, float):
            container[key] *= data.draw(st.sampled_from([-1, 0, 10, 1000, 1e-6]))
        else:
            container[key] = copy.deepcopy(data.draw(st.sampled_from(VALUES)))
    answer = client.post("/v1/corrections", content=json.dumps(payload), headers={
        "Content-Type": "application/json", "Accept": form})  # fmt: skip
    assert answer.status_code in {200, 422}, answer.text
    if answer.status_code == 422:
        assert answer.headers["content-type"] == "application/problem+json"
        assert all(len(error["detail"]) > 10 for error in answer.json()["errors"])
        assert answer.json()["errors"]
    elif form == "application/json":
        assert finite(answer.json())
