"""Strict decoding of a body, JSON or MessagePack, with a pointer and a sentence for what is wrong.

The route, the batch and the command line read through the same decoder, so they refuse the same requests with the same
sentences. A number in a string (``"1.5"``) is refused, unknown members are refused, and every bound of the Structs
holds.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from functools import cached_property
from typing import Any, Generic, TypeVar

import msgspec

from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.errors import Fault

from . import problems
from .media_types import JSON, MSGPACK_NAMES, READ_HERE
from .problems import RequestError

T = TypeVar("T")


_PATH = re.compile(r" - at `(?:key` in `)?(\$[^`]*)`$")
_TOKEN = re.compile(r"\.([^.\[\]]+)|\[([^\]]*)\]")
_QUOTED = re.compile(r"`([^`]*)`|'([^']*)'")


def escape(token: str) -> str:
    """Escape one token of a JSON Pointer (RFC 6901, section 3)."""
    return token.replace("~", "~0").replace("/", "~1")


def pointer(tokens: list[str]) -> str:
    """Join tokens to a JSON Pointer; no tokens point at the whole document."""
    return "".join("/" + escape(token) for token in tokens)


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

    def decode(self, body: bytes, content_type: bytes) -> T:
        """Read a body of the given Content-Type.

        Raises:
            RequestError: unsupported media type, unreadable body, or a body that breaks the schema.
        """
        decoder = self._by_type.get(content_type)
        if decoder is None:
            decoder = self._by_type.get(content_type.partition(b";")[0].strip().lower())
        if decoder is None:
            raise unsupported(content_type)
        if not body:
            raise empty()
        try:
            result: T = decoder.decode(body)
        except msgspec.ValidationError as error:
            fault = self.explain(str(error))
            raise RequestError(problems.INVALID, fault.detail, [fault]) from None
        except UnicodeDecodeError:
            raise RequestError(
                problems.UNREADABLE, "The text is not UTF-8; save it as UTF-8 and send it again."
            ) from None
        except RecursionError:
            raise RequestError(
                problems.UNREADABLE, "The document is nested too deeply; nothing here needs that."
            ) from None
        except msgspec.DecodeError as error:
            raise RequestError(problems.UNREADABLE, unreadable(str(error), decoder is self._json)) from None
        return result

    def explain(self, message: str) -> Fault:
        """Turn msgspec's message into a pointer and a sentence on what to change."""
        found = _PATH.search(message)
        text = message[: found.start()] if found else message
        tokens = [name or index for name, index in _TOKEN.findall(found[1][1:])] if found else []
        quoted = [tick or single for tick, single in _QUOTED.findall(text)]
        if text.startswith("Object contains unknown field"):
            allowed = self._members(tokens)
            close = get_close_matches(quoted[0], allowed, n=1)
            hint = f"did you mean `{close[0]}`?" if close else f"known here: {', '.join(allowed)}."
            return Fault(pointer([*tokens, quoted[0]]), f"There is no member `{quoted[0]}` here; {hint}")
        if text.startswith("Object missing required field"):
            return Fault(pointer([*tokens, quoted[0]]), f"The member `{quoted[0]}` is missing here; add it.")
        if tokens and tokens[-1] == "solver" and text.startswith("Invalid value"):
            return Fault(pointer(tokens), self._no_such_solver(quoted[0]))
        if text.startswith("Invalid enum value"):
            choices = ", ".join(f"`{value}`" for value in self._choices(tokens))
            return Fault(pointer(tokens), f"`{quoted[0]}` is not one of the values taken here: {choices}.")
        if text == "Number out of range":
            return Fault(pointer(tokens), "This number is too large for any computer; give one within range.")
        return Fault(pointer(tokens), f"{text.replace('regex', 'the pattern')}; change the value here.")

    def _no_such_solver(self, name: str) -> str:
        """Name the installed solvers and how to get the one asked for."""
        installed = ", ".join(f"`{solver}`" for solver in self.registry.solvers)
        broken = next((entry for entry in self.registry.unusable if entry.name == name), None)
        if broken:
            return f"The plug-in `{name}` ({broken.origin}) cannot be used: {broken.reason}. Usable: {installed}."
        return (
            f"No solver here is called `{name}`. Installed: {installed}. Name one of these, or install the plug-in "
            "that brings it and start the service again; `GET /v1/solvers` lists them."
        )

    @cached_property
    def _schema(self) -> tuple[dict[str, Any], dict[str, Any]]:
        (root,), components = msgspec.json.schema_components((self.model,), ref_template="{name}")
        return root, components

    def _at(self, tokens: list[str]) -> list[dict[str, Any]]:
        """Return the schemas that may apply at a place in the document."""
        here = [self._schema[0]]
        for token in tokens:
            here = [below for schema in here for flat in self._flat(schema) for below in _below(flat, token)]
        return [flat for schema in here for flat in self._flat(schema)]

    def _flat(self, schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
        if "$ref" in schema:
            yield from self._flat(self._schema[1][schema["$ref"]])
        elif "anyOf" in schema:
            for branch in schema["anyOf"]:
                yield from self._flat(branch)
        else:
            yield schema

    def _members(self, tokens: list[str]) -> list[str]:
        return list(dict.fromkeys(name for schema in self._at(tokens) for name in schema.get("properties", ())))

    def _choices(self, tokens: list[str]) -> list[Any]:
        return [value for schema in self._at(tokens) for value in schema.get("enum", ())]


def _below(schema: dict[str, Any], token: str) -> Iterator[dict[str, Any]]:
    if token in schema.get("properties", {}):
        yield schema["properties"][token]
    if token.isdigit() and int(token) < len(schema.get("prefixItems", ())):
        yield schema["prefixItems"][int(token)]
    elif isinstance(schema.get("items"), dict):
        yield schema["items"]


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
