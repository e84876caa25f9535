"""Every fault of shape in a document, by its JSON Schema: where it is, and a sentence on what to change.

msgspec reads in one pass and stops at the first fault; this walk is made only for a document that it has refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from difflib import get_close_matches
from itertools import islice
from math import isfinite
from operator import ge, gt, le, lt
from typing import Any

from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.carried import LEAST_WHOLE, MOST_WHOLE
from tramwright_solvers.model.errors import Fault
from tramwright_solvers.model.sentences import EXTRAS_TOO_LARGE

from .hints import OTHER_KINDS, SAME_UNIT, UNKNOWN_MEMBERS, Hint, of_rows
from .json_schema import components_of, plain_name

Schema = dict[str, Any]

SHOWN = 100
"""Characters of what a client sent that are given back in a sentence."""
LONGEST_TOKEN = 200
"""Characters of a name that a pointer follows; a longer one is pointed at by the object that has it."""
MOST_FAULTS = 20
"""Faults that are listed; the others are counted."""
MOST_COUNTED = 1000
MOST_VALUES = 50_000
"""Faults that are counted, and values that are looked at: a document full of faults must not hold up others."""

BOUNDS: dict[str, tuple[str, Callable[[float, float], bool]]] = {
    "minimum": (">=", ge),
    "exclusiveMinimum": (">", gt),
    "maximum": ("<=", le),
    "exclusiveMaximum": ("<", lt),
}
ARTICLES = {
    "object": "an object",
    "array": "an array",
    "string": "a string",
    "number": "a number",
    "integer": "a whole number (integer)",
    "boolean": "a boolean",
    "null": "null",
}


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


def listed(faults: list[Fault]) -> list[Fault]:
    """Return the first of many faults, and how many more there are as the last."""
    if (more := len(faults) - MOST_FAULTS) <= 0:
        return faults
    least = " or more" if len(faults) >= MOST_COUNTED else ""
    return [*faults[:MOST_FAULTS], Fault("", f"{more}{least} further faults are not listed; change these first.")]


class Shape:
    """The shape of one type of request, against which documents are held."""

    def __init__(self, model: Any, registry: Registry) -> None:
        (self._root,), self._components = components_of((model,), registry, "{name}")
        self._registry = registry

    def faults(self, document: Any) -> list[Fault]:
        """Return every fault in the order of the document; of a very large document, those of its beginning."""
        walk = _Walk(self._components, self._registry)
        return list(islice(walk.look(self._root, document, []), MOST_COUNTED))


class _Walk:
    """One walk through a document."""

    def __init__(self, components: dict[str, Schema], registry: Registry) -> None:
        self._components = components
        self._registry = registry
        self._left = MOST_VALUES

    def look(self, schema: Schema, value: Any, way: list[str], hint: Hint | None = None) -> Iterator[Fault]:
        """Yield the faults of one value and of all in it; ``hint`` is what to say where it is of another kind."""
        self._left -= 1
        if self._left < 0:
            return
        kind = _kind(value)
        branches = list(self._branches(schema))
        fitting = [branch for branch in branches if kind in _kinds(branch)]
        if not fitting:
            yield Fault(pointer(way), hint.says if hint else _other_kind(branches, kind, value))
            return
        branch = fitting[0]
        if "enum" in branch:
            yield from self._choice(branch["enum"], value, way)
        elif kind == "object":
            if (tag := _tag(fitting)) is None:
                yield from self._object(branch, value, way)
            else:
                yield from self._tagged(tag, fitting, value, way)
        elif kind == "array":
            yield from self._array(branch, value, way, hint)
        elif said := _beyond(branch, kind, value):
            yield Fault(pointer(way), f"{said}; change the value here.")

    def _branches(self, schema: Schema) -> Iterator[Schema]:
        """Yield the schemas of which a value has to fit one."""
        if "$ref" in schema:
            yield from self._branches(self._components[schema["$ref"]])
        elif "anyOf" in schema:
            for branch in schema["anyOf"]:
                yield from self._branches(branch)
        else:
            yield schema

    def _choice(self, choices: list[Any], value: Any, way: list[str]) -> Iterator[Fault]:
        if value in choices:
            return
        if way[-1:] == ["solver"]:
            yield Fault(pointer(way), self._no_such_solver(str(value)))
            return
        offered = ", ".join(f"`{choice}`" for choice in choices)
        text = str(value)[:SHOWN].lower()
        alike = SAME_UNIT.get(text, text)
        hint = f"; did you mean `{alike}`?" if alike in choices else "."
        yield Fault(pointer(way), f"{quote(str(value))} is not one of the values taken here: {offered}{hint}")

    def _tagged(self, tag: str, branches: list[Schema], value: dict[Any, Any], way: list[str]) -> Iterator[Fault]:
        """Hold an object against the one of several kinds that it names itself by its tag."""
        named = value.get(tag)
        for branch in branches:
            if named in branch["properties"][tag]["enum"]:
                yield from self._object(branch, value, way)
                return
        choices = [choice for branch in branches for choice in branch["properties"][tag]["enum"]]
        if tag in value:
            yield from self.look({"enum": choices}, named, [*way, tag])
        else:
            yield Fault(pointer([*way, tag]), f"The member `{tag}` is missing here; add it.")

    def _object(self, schema: Schema, value: dict[Any, Any], way: list[str]) -> Iterator[Fault]:
        title, known = plain_name(schema.get("title", "")) if way else "", schema.get("properties", {})
        others, told = schema.get("additionalProperties", True), set[str]()
        for name, below in value.items():
            if not isinstance(name, str):
                yield Fault(pointer(way), "The names of members are strings; change the others here.")
            elif name in known:
                yield from self.look(known[name], below, [*way, name], OTHER_KINDS.get((title, name)))
            elif isinstance(others, dict):
                yield from self.look(others, below, [*way, name] if len(name) <= LONGEST_TOKEN else way)
            elif others is True:
                yield from self.look({}, below, [*way, name] if len(name) <= LONGEST_TOKEN else way)
            else:
                hint = UNKNOWN_MEMBERS.get((title, name))
                if hint is None or not known.keys() >= set(hint.instead_of):
                    close = get_close_matches(name[:SHOWN], known, n=1)
                    told.update(close)
                    known_here = f"did you mean `{close[0]}`?" if close else f"known here: {', '.join(known)}."
                    yield Fault(member(way, name), f"There is no member {quote(name)} here; {known_here}")
                elif not (
                    hint.instead_of and told.issuperset(hint.instead_of)
                ):  # else the same is said of another member already
                    told.update(hint.instead_of)
                    yield Fault(member(way, name), hint.says)
        for name in schema.get("required", ()):
            if name not in value and name not in told:
                yield Fault(pointer([*way, name]), f"The member `{name}` is missing here; add it.")

    def _array(self, schema: Schema, value: list[Any], way: list[str], hint: Hint | None) -> Iterator[Fault]:
        least, most = schema.get("minItems", 0), schema.get("maxItems", len(value))
        if not least <= len(value) <= most:
            wanted = f"{least}" if least == most else f"<= {most}" if len(value) > most else f">= {least}"
            yield Fault(
                pointer(way), f"Expected an array of length {wanted}, got one of {len(value)}; change the value here."
            )
        if len(value) > most:
            return
        if value and hint and self._are_objects(schema.get("items")):
            if all(isinstance(one, list) and one for one in value) and way[-1:] == ["readings"]:
                yield Fault(pointer(way), of_rows(value).says)
                return
            if not any(isinstance(one, dict) for one in value):
                yield Fault(pointer(way), hint.says)
                return
        first: list[Schema] = schema.get("prefixItems", [])
        rest = schema.get("items", {})
        for place, below in enumerate(value):
            item = first[place] if place < len(first) else rest
            yield from self.look(item if isinstance(item, dict) else {}, below, [*way, str(place)])

    def _are_objects(self, schema: Any) -> bool:
        """Say whether a list holds objects and nothing else."""
        return isinstance(schema, dict) and all(_kinds(branch) == ("object",) for branch in self._branches(schema))

    def _no_such_solver(self, name: str) -> str:
        """Name the installed solvers and how to get the one asked for."""
        installed = ", ".join(f"`{solver}`" for solver in self._registry.solvers)
        broken = next((entry for entry in self._registry.unusable if entry.name == name), None)
        if broken:
            return f"The plug-in `{name}` ({broken.origin}) cannot be used: {broken.reason}. Usable: {installed}."
        return (
            f"No solver here is called {quote(name)}. Installed: {installed}. Name one of these, or install the "
            "plug-in that brings it and start the service again; `GET /v1/solvers` lists them."
        )


def _kind(value: Any) -> str:
    """Name the kind of a value as JSON Schema does; MessagePack has more of them."""
    for of, kind in (
        (bool, "boolean"),
        (int, "integer"),
        (float, "number"),
        (str, "string"),
        (list, "array"),
        (dict, "object"),
    ):
        if isinstance(value, of):
            return kind
    return "null" if value is None else "binary"


def _kinds(schema: Schema) -> tuple[str, ...]:
    """Return the kinds of value that a schema takes."""
    if "enum" in schema:
        return tuple(_kind(choice) for choice in schema["enum"])
    kind = schema.get("type")
    if kind is None:
        return (*ARTICLES, "binary")
    return ("number", "integer") if kind == "number" else (kind,)


def _tag(branches: list[Schema]) -> str | None:
    """Return the member by which objects of several kinds are told apart; also of one kind, if it is tagged."""
    names = [
        {name for name, field in branch.get("properties", {}).items() if len(field.get("enum", ())) == 1}
        for branch in branches
    ]
    return next(iter(sorted(set.intersection(*names))), None)


def _other_kind(branches: list[Schema], kind: str, value: Any) -> str:
    """Say what is wanted in place of a value of another kind."""
    wanted = list(dict.fromkeys(ARTICLES[kind] for branch in branches for kind in _kinds(branch)))
    if any(branch.get("type") == "number" for branch in branches):
        wanted.remove(ARTICLES["integer"])
    got = f"Expected {' or '.join(wanted)}, got {ARTICLES.get(kind, 'binary data')}"
    if kind == "string" and ARTICLES["number"] in wanted:
        with suppress(ValueError):
            text = value[:SHOWN].strip().replace(",", ".")
            if re.fullmatch(r"[-+0-9.eE]+", text) and isfinite(number := float(text)):
                return f"{got}; write it without quotation marks: {int(number) if number.is_integer() else number}."
    return f"{got}; change the value here."


def _beyond(schema: Schema, kind: str, value: Any) -> str | None:
    """Say what bound or pattern a number or a text breaks."""
    if kind == "string":
        least, most = schema.get("minLength", 0), schema.get("maxLength", len(value))
        if not least <= len(value) <= most:
            bound = f">= {least}" if len(value) < least else f"<= {most}"
            return f"Expected a string of length {bound}, got one of {len(value)}"
        if "pattern" in schema and not re.search(schema["pattern"], value):
            return "Expected a string of the pattern that the schema gives, as a name without control characters"
        return None
    if kind not in ("number", "integer"):
        return None
    if "type" not in schema:  # anything at all that can be handed on
        return None if kind == "number" or LEAST_WHOLE <= value <= MOST_WHOLE else EXTRAS_TOO_LARGE
    name = "a number" if schema["type"] == "number" else ARTICLES["integer"]
    for bound, (sign, holds) in BOUNDS.items():
        if bound in schema and not holds(value, edge := schema[bound]):
            return f"Expected {name} {sign} {int(edge) if edge == int(edge) else edge}"
    return None
