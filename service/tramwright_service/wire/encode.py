"""An answer as bytes, in the media type asked for; NaN and infinity are never sent."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from typing import Any

import msgspec

from .media_types import JSON, TEXT
from .plain import plain_lines

_json = msgspec.json.Encoder()
_msgpack = msgspec.msgpack.Encoder()

_NOT_FINITE = re.compile(rb"\xcb[\x7f\xff][\xf0-\xff]", re.DOTALL)
"""How a double begins in MessagePack when all bits of its exponent are set; other bytes may look the same."""


def encode(answer: msgspec.Struct, media_type: str, text: Callable[[Any], str]) -> bytes:
    """Encode an answer; ``text`` writes it for people.

    Raises: ArithmeticError: a number in it is not finite: an error of the program that must not reach a machine.
    """
    if media_type == JSON:
        return as_json(answer)
    packed = _packed(answer)
    return plain_lines(text(answer)).encode() if media_type == TEXT else packed


def as_json(answer: msgspec.Struct) -> bytes:
    """Encode an answer as JSON.

    Raises:
        ArithmeticError: a number in it is not finite.
    """
    body = _json.encode(answer)
    # Which msgspec writes for what is not finite; where there is none all is well. A whole correction ends with some.
    if body.rfind(b"null") >= 0:
        _packed(answer)
    return body


def _packed(answer: msgspec.Struct) -> bytes:
    """Encode an answer as MessagePack, which keeps what is not finite apart; what looks so is looked at by number."""
    packed = _msgpack.encode(answer)
    if _NOT_FINITE.search(packed) and not all(map(math.isfinite, _floats(msgspec.to_builtins(answer)))):
        raise ArithmeticError("the answer holds a number that is not finite")
    return packed


def _floats(value: Any) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _floats(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _floats(item)
