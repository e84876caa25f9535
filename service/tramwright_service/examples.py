"""The example payloads: one copy in the source tree, shipped inside the wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import msgspec


@cache
def folder() -> Path:
    """Return where the examples are: beside this file in a wheel, under openapi/ in a source tree."""
    shipped = Path(__file__).parent / "examples"
    return shipped if shipped.is_dir() else Path(__file__).parents[2] / "openapi" / "examples"


def names() -> list[str]:
    """Return the names of all examples, sorted, without their suffix."""
    return sorted(path.stem for path in folder().glob("*.json"))


def read(name: str) -> bytes:
    """Return one example as it is written, by its name with or without suffix.

    Raises:
        KeyError: there is none of that name.
    """
    stem = name.removesuffix(".json")
    if stem not in names():
        raise KeyError(stem)
    return (folder() / f"{stem}.json").read_bytes()


def corrections() -> dict[str, dict[str, object]]:
    """Return every example that is a request for one correction, by name."""
    found = {name: msgspec.json.decode(read(name), type=dict[str, object]) for name in names()}
    return {name: payload for name, payload in found.items() if {"machine", "survey"} <= payload.keys()}
