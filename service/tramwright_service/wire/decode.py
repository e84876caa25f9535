"""Strict decoding of a body, JSON or MessagePack, with a pointer and a sentence for what is wrong.

The route, the batch and the command line read through the same decoder, so they refuse the same requests with the same
sentences. A number in a string (``"1.5"``) is refused, unknown members are refused, and every bound of the Structs
holds.
"""

from __future__ import annotations

import re
from ast import literal_eval
from collections.abc import Iterator, Sequence
from contextlib import suppress
from difflib import get_close_matches
from functools import cached_property
from typing import Any, Generic, TypeVar

import msgspec

from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.errors import Fault

from . import problems
from .media_types import JSON, MSGPACK_NAMES, READ_HERE
from .problems import RequestError
from .repeats import repeated

T = TypeVar("T")


_AT = " - at `"
"""In msgspec's messages, before the path; the path has names of the schema and places in arrays only."""
_TOKEN = re.compile(r"\.([^.\[\]`]+)|\[(\d+)\]")
_UNKNOWN = "Object contains unknown field `"
_MISSING = "Object missing required field `"
_CHOICE = "Invalid enum value "
_TAG = "Invalid value '"

SHOWN = 100
"""Characters of what a client sent that are given back in a sentence."""
LONGEST_TOKEN = 200
"""Characters of a name that a pointer follows; a longer one is pointed at by the object that has it."""


def escape(token: str) -> str:
    """Escape one token of a JSON Pointer (RFC 6901, section 3)."""
    return token.replace("~", "~0").replace("/", "~1")


def pointer(tokens: list[str]) -> str:
    """Join tokens to a JSON Pointer; no tokens point at the whole document."""
    return "".join("/" + escape(token) for token in tokens)


def quote(text: str) -> str:
    """Quote what a client sent, shortened, with marks that it does not hold itself where there are any."""
    short = text if len(text) <= SHOWN else f"{text[:SHOWN]}…"
    return f"`{short}`" if "`" not in short else f"'{short}'" if "'" not in short else f'"{short}"'


def member(tokens: list[str], name: str) -> str:
    """Point at a member of an object by any name at all."""
    return pointer([*tokens, name] if len(name) <= LONGEST_TOKEN else tokens)


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
        if not body:
            raise empty()
        try:
            result: T = decoder.decode(body)
            twice = repeated(body) if decoder is self._json else None
        except msgspec.ValidationError as error:
            fault = self.explain(str(error), body)
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
        if twice:
            detail = f"The member {quote(twice[-1])} is given twice in this object; keep the one that is meant."
            raise RequestError(problems.INVALID, detail, [Fault(member(twice[:-1], twice[-1]), detail)])
        return result

    def explain(self, message: str, body: bytes) -> Fault:
        """Turn msgspec's message about a body into a pointer and a sentence on what to change.

        Whatever the sender wrote stands between a known beginning and the path, so it is cut out, never searched.
        """
        text, mark, path = message.rpartition(_AT)
        if not mark or (message.startswith(_UNKNOWN) and _has(body, message[len(_UNKNOWN) : -1])):
            text, path = message, ""  # a fault of the whole document has no path, whatever its name looks like
        tokens = [name or index for name, index in _TOKEN.findall(path)]
        if text.startswith(_UNKNOWN):
            name = text[len(_UNKNOWN) : -1]
            # the member may belong to another solver than the one named here
            allowed = [known for known in self._members(tokens) if known != name]
            close = get_close_matches(name[:SHOWN], allowed, n=1)
            hint = f"did you mean `{close[0]}`?" if close else f"known here: {', '.join(allowed)}."
            return Fault(member(tokens, name), f"There is no member {quote(name)} here; {hint}")
        if text.startswith(_MISSING):
            name = text[len(_MISSING) : -1]
            return Fault(pointer([*tokens, name]), f"The member `{name}` is missing here; add it.")
        if text.startswith(_TAG) and tokens[-1:] == ["solver"]:
            return Fault(pointer(tokens), self._no_such_solver(text[len(_TAG) : -1]))
        if text.startswith(_CHOICE):
            choices = ", ".join(f"`{value}`" for value in self._choices(tokens))
            return Fault(
                pointer(tokens),
                f"{quote(_value(text[len(_CHOICE) :]))} is not one of the values taken here: {choices}.",
            )
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
            f"No solver here is called {quote(name)}. Installed: {installed}. Name one of these, or install the "
            "plug-in that brings it and start the service again; `GET /v1/solvers` lists them."
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


def _value(written: str) -> str:
    """Return a value that msgspec wrote into its message the way Python writes one."""
    with suppress(ValueError, SyntaxError):
        return str(literal_eval(written))
    return written


_HEAD = dict[str, msgspec.Raw]


def _has(body: bytes, name: str) -> bool:
    """Say whether the document is an object with a member of this name."""
    for read in (msgspec.json.decode, msgspec.msgpack.decode):
        with suppress(msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            return name in read(body, type=_HEAD)
    return False


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
