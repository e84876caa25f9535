"""The example payloads and the guides: one copy of each in the source tree, shipped inside the wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import msgspec

CORRECTIONS = "corrections"
"""The main question; its examples lie at the top of the folder, those of another question in a folder of its name."""


@cache
def folder(kind: str = "examples") -> Path:
    """Return where the `examples` or the `guides` are: in the package in a wheel, under openapi/ in a source tree."""
    shipped = Path(__file__).parents[1] / kind
    return shipped if shipped.is_dir() else Path(__file__).parents[3] / "openapi" / kind


def paths() -> dict[str, Path]:
    """Return every example file by its name, sorted; requests for corrections first, other questions in folders."""
    found = sorted(folder().rglob("*.json"))
    return {path.stem: path for path in sorted(found, key=lambda path: path.stem)}


def read(name: str) -> bytes:
    """Return one example as it is written, by its name with or without suffix.

    Raises:
        KeyError: there is none of that name.
    """
    return paths()[name.removesuffix(".json")].read_bytes()


def of(question: str) -> dict[str, dict[str, object]]:
    """Return the example payloads of a question by name; the question is the last part of its route's path."""
    own = folder() if question == CORRECTIONS else folder() / question
    return {path.stem: msgspec.json.decode(path.read_bytes()) for path in sorted(own.glob("*.json"))}


def corrections() -> dict[str, dict[str, object]]:
    """Return every example that is a request for one correction, by name."""
    return of(CORRECTIONS)
