"""Members given twice in one object of a JSON document. JSON lets the last one win without a word; here it is refused.

Every member has its colon, and so has every colon within a text. Read and written again, a document keeps them all
unless a member was dropped, so counting shows in a few microseconds that none was. That needs texts without escapes.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from typing import Any

import msgspec

_read = msgspec.json.Decoder().decode
_write = msgspec.json.Encoder().encode


def repeated(document: bytes) -> list[str] | None:
    """Return the way to a member that its object has twice, None where there is none; the document is well formed."""
    if b"\\" not in document and _write(_read(document)).count(b":") == document.count(b":"):
        return None
    found: list[tuple[dict[str, Any], str]] = []

    def look(members: list[tuple[str, Any]]) -> dict[str, Any]:
        kept = dict(members)
        if len(kept) < len(members):
            counts = Counter(name for name, _ in members)
            found.append((kept, next(name for name, count in counts.items() if count > 1)))
        return kept

    whole = json.loads(document, object_pairs_hook=look, parse_int=float)
    if not found:
        return None
    # An object comes after those within it, so the last one found is not itself part of what was dropped.
    holder, name = found[-1]
    return [*next(way for way, one in _objects(whole, []) if one is holder), name]


def _objects(value: Any, way: list[str]) -> Iterator[tuple[list[str], dict[str, Any]]]:
    """Yield every object of a document with the way to it."""
    if isinstance(value, dict):
        yield way, value
    members = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, below in members:
        yield from _objects(below, [*way, str(name)])
