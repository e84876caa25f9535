"""Strict decoding of a body, JSON or MessagePack, with a pointer and a sentence for what is wrong.

The route, the batch and the command line read through the same decoder, so they refuse the same requests with the same
sentences. A number in a string (``"1.5"``) is refused, unknown members are refused, and every bound of the Structs
holds.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cached_property
from typing import Any, Generic, TypeVar

import msgspec

from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.errors import Fault

from . import problems
from .faults import Shape, listed, member, pointer, quote
from .media_types import JSON, MARK, MSGPACK_NAMES, READ_HERE
from .problems import RequestError
from .repeats import repeated

_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_NOT_UTF_8 = "The text is not UTF-8; save it as UTF-8 and send it again."
_PATH = re.compile(r" - at `\$((?:\.[^.\[\]`]+|\[\d+\])*)`$")
"""The path at the end of msgspec's messages: names of the schema, and places in arrays."""
_TOKEN = re.compile(r"\.([^.\[\]`]+)|\[(\d+)\]")

T = TypeVar("T")


class Decoder(Generic[T]):
    """Reads one type of request and explains its refusals from the type's own schema."""

    def __init__(self, model: Any, registry: Registry) -> None:
        self.model = model
        self.registry = registry
        # No type but this one is decoded here, so the two decoders are built once and kept.
        self._json: Any = msgspec.json.Decoder(model)
        self._msgpack: Any = msgspec.msgpack.Decoder(model)
        self._by_type: dict[bytes, Any] = {JSON.encode(): self._json}
        self._by_type |= {name.encode(): self._msgpack for name in MSGPACK_NAMES}

    def is_json(self, content_type: bytes) -> bool:
        """Say whether a body of this Content-Type is read as JSON."""
        return self._reader(content_type) is self._json

    def _reader(self, content_type: bytes) -> Any:
        reader = self._by_type.get(content_type)
        return reader or self._by_type.get(content_type.partition(b";")[0].strip().lower())

    def decode(self, body: bytes, content_type: bytes) -> T:
        """Read a body of the given Content-Type.

        Raises:
            RequestError: unsupported media type, unreadable body, or a body that breaks the schema.
        """
        decoder = self._reader(content_type)
        if decoder is None:
            raise unsupported(content_type)
        is_json = decoder is self._json
        if is_json:
            body = body.removeprefix(MARK)
        if not body:
            raise empty()
        try:
            return self._read(decoder, body)
        except UnicodeDecodeError:
            raise RequestError(problems.UNREADABLE, _NOT_UTF_8) from None
        except RecursionError:
            raise RequestError(problems.UNREADABLE, problems.TOO_DEEP) from None
        except msgspec.DecodeError as error:
            detail = _NOT_UTF_8 if is_json and body.startswith(_UTF_16) else unreadable(str(error), is_json)
            raise RequestError(problems.UNREADABLE, detail) from None

    def _read(self, decoder: Any, body: bytes) -> T:
        """Read a body, or refuse it with every fault that its shape has."""
        is_json = decoder is self._json
        try:
            result: T = decoder.decode(body)
        except msgspec.ValidationError as error:
            faults = self._faults(body, is_json) or [_only(str(error))]
        else:
            faults = _repeats(body) if is_json else []
        if not faults:
            return result
        raise RequestError(problems.INVALID, problems.first_of(faults), listed(faults))

    def _faults(self, body: bytes, is_json: bool) -> list[Fault]:
        """Return all that is wrong with the shape of a document; what makes it unreadable is raised as that."""
        read = msgspec.json.decode if is_json else msgspec.msgpack.decode
        try:
            return [*self._shape.faults(read(body)), *(_repeats(body) if is_json else ())]
        except (msgspec.ValidationError, TypeError, RecursionError):
            return []  # too deep, a number beyond all bounds, or a name that is none: msgspec names one place

    @cached_property
    def _shape(self) -> Shape:
        return Shape(self.model, self.registry)


def _repeats(body: bytes) -> list[Fault]:
    """Return the fault of a member that one object has twice."""
    if not (twice := repeated(body)):
        return []
    detail = f"The member {quote(twice[-1])} is given twice in this object; keep the one that is meant."
    return [Fault(member(twice[:-1], twice[-1]), detail)]


def _only(message: str) -> Fault:
    """Return what msgspec says of a document, where it is all that is known."""
    found = _PATH.search(message)
    tokens = [name or index for name, index in _TOKEN.findall(found[1])] if found else []
    text = message[: found.start()] if found else message
    if text == "Number out of range":
        return Fault(pointer(tokens), "This number is too large for any computer; give one within range.")
    return Fault(pointer(tokens), f"{text.replace('regex', 'the pattern')}; change the value here.")


def empty() -> RequestError:
    """Return the refusal of a body without content."""
    return RequestError(
        problems.UNREADABLE, "The body is empty; send the machine and its survey as one JSON or MessagePack document."
    )


def unsupported(content_type: bytes, read_here: Sequence[str] = READ_HERE) -> RequestError:
    """Return the refusal of a Content-Type, naming those that are read."""
    said = content_type.decode("latin-1")[:100]
    offered = ", ".join(read_here)
    given = f"`{said}` is not read here" if said else "The request names no Content-Type"
    return RequestError(
        problems.UNSUPPORTED,
        f"{given}; send {'one of ' if len(read_here) > 1 else ''}{offered}.",
        headers={"Accept": offered},
    )


def unreadable(message: str, is_json: bool) -> str:
    """Explain a document that is not well formed."""
    form = "JSON" if is_json else "MessagePack"
    if "truncated" in message:
        return f"The {form} document ends too early; send it whole."
    where = message.rpartition(": ")[2]
    advice = "Numbers are written plainly (JSON has no NaN or Infinity) and names and texts in double quotes."
    return f"The body is not well-formed {form}: {where}." + (f" {advice}" if is_json else "")
