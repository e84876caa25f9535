"""An answer as bytes, in the form asked for. Nothing that is not finite leaves."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import msgspec

from .decoding import JSON
from .negotiation import TEXT

_json = msgspec.json.Encoder()
_msgpack = msgspec.msgpack.Encoder()


def encode(answer: msgspec.Struct, media_type: str, text: Callable[[Any], str]) -> bytes:
    """Encode an answer; ``text`` writes it for people.

    Raises:
        ArithmeticError: a number in it is not finite: a fault of ours that must not reach a machine.
    """
    body = _json.encode(answer)
    # msgspec writes what is not finite as null. Most answers have no null at all, so one search of the bytes clears
    # them; the others are looked through number by number.
    if b"null" in body and not all(map(math.isfinite, _floats(msgspec.to_builtins(answer)))):
        raise ArithmeticError("the answer holds a number that is not finite")
    if media_type == JSON:
        return body
    if media_type == TEXT:
        return text(answer).encode()
    return _msgpack.encode(answer)


def _floats(value: Any) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _floats(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _floats(item)
