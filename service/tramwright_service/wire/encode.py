"""An answer as bytes, in the media type asked for; NaN and infinity are never sent."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from functools import cache
from operator import attrgetter
from typing import Any

import msgspec
from msgspec import inspect

from .media_types import JSON, TEXT
from .plain import plain_lines

_json = msgspec.json.Encoder()
_msgpack = msgspec.msgpack.Encoder()

_NOT_FINITE = re.compile(rb"\xcb[\x7f\xff][\xf0-\xff]", re.DOTALL)
"""How a double begins in MessagePack when all bits of its exponent are set; other bytes may look the same."""

_NO_FLOATS = inspect.StrType, inspect.IntType, inspect.BoolType, inspect.NoneType, inspect.LiteralType
"""Types in whose values no float can stand; what is none of them, and has no parts, is taken to hold some."""


def encode(answer: msgspec.Struct, media_type: str, text: Callable[[Any], str]) -> bytes:
    """Encode an answer; ``text`` writes it for people.

    Raises: ArithmeticError: a number in it is not finite: an error of the program that must not reach a machine.
    """
    if media_type == JSON:
        return as_json(answer)
    packed = _msgpack.encode(answer)
    _prove(packed, answer)
    return plain_lines(text(answer)).encode() if media_type == TEXT else packed


def as_json(answer: msgspec.Struct) -> bytes:
    """Encode an answer as JSON.

    Raises:
        ArithmeticError: a number in it is not finite.
    """
    body = _json.encode(answer)
    # Which msgspec writes for what is not finite; where there is none all is well. A whole correction ends with some.
    if body.rfind(b"null") >= 0:
        _prove(_msgpack.encode(_numbers_of(type(answer))(answer)), answer)
    return body


def _prove(packed: bytes, answer: msgspec.Struct) -> None:
    """Prove by the MessagePack of an answer's numbers, which keeps what is not finite apart, that all are finite; where
    it looks as if they were not, they are looked at one by one."""
    if _NOT_FINITE.search(packed) and not all(map(math.isfinite, _floats(msgspec.to_builtins(answer)))):
        raise ArithmeticError("the answer holds a number that is not finite")


@cache
def _numbers_of(kind: type[msgspec.Struct]) -> Callable[[Any], Any]:
    """Return what takes of answers of a kind the members in which a float can stand: the rest are texts, mostly."""
    described: Any = inspect.type_info(kind)
    return attrgetter(*[field.name for field in described.fields if _holds_float(field.type)])


def _holds_float(described: Any, within: tuple[Any, ...] = ()) -> bool:
    """Say whether a float can stand somewhere in values of a type; ``within`` are the Structs that it is part of."""
    if isinstance(described, _NO_FLOATS) or described in within:
        return False
    if isinstance(described, inspect.StructType):
        return any(_holds_float(field.type, (*within, described)) for field in described.fields)
    parts = getattr(described, "types", None) or [
        getattr(described, name) for name in ("item_type", "key_type", "value_type", "type") if hasattr(described, name)
    ]
    return any(_holds_float(part, within) for part in parts) if parts else True


def _floats(value: Any) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _floats(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _floats(item)
