"""JSON Schemas of the Structs as msgspec writes them, tidied for people and for tools that make clients."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec

from tramwright_solvers.mechanisms.registry import Registry

REF = "#/components/schemas/{name}"
DEFINED = "#/$defs/"
"""Where a schema that stands alone has its definitions."""


def plain_name(name: str) -> str:
    """Return a component's name without the parameters of a generic."""
    return re.split(r"[^A-Za-z0-9]", name)[0]


def components_of(models: Sequence[Any], registry: Registry, template: str) -> tuple[Any, dict[str, Any]]:
    """Return the schemas of types, and of all in them, with the options of plug-ins as these describe them."""
    schemas, components = msgspec.json.schema_components(models, ref_template=template)
    for name, described in registry.guests.items():
        if (own := registry.solvers[name].__name__) in components:
            components.update(placed(described.options, own, template))
    return schemas, components


def placed(options: Mapping[str, Any], own: str, template: str) -> dict[str, Any]:
    """Return the definitions of a schema that stands alone as components, the others behind the name of its own."""

    def name(defined: str) -> str:
        return own if DEFINED + defined == options["$ref"] else own + defined

    def to(reference: str) -> str:
        return template.format(name=name(reference.removeprefix(DEFINED)))

    return {name(defined): refer(schema, to) for defined, schema in options["$defs"].items()}


def refer(schema: Any, to: Callable[[str], str]) -> Any:
    """Return a schema whose references lead elsewhere."""
    if isinstance(schema, list):
        return [refer(below, to) for below in schema]
    if not isinstance(schema, dict):
        return schema
    return {key: to(below) if key == "$ref" else refer(below, to) for key, below in schema.items()}


def tidy(schema: Any, references: dict[str, str]) -> Any:
    """Rename references, write docstrings as Markdown, describe tags, and leave out what generators stumble over.

    Those that rename components leave a discriminator's mapping dangling, and the tag's own values say the same. Some
    refuse ``items: false``, so a pair is written as an array of two.
    """
    if isinstance(schema, list):
        return [tidy(below, references) for below in schema]
    if not isinstance(schema, dict):
        return schema
    tidied = {key: tidy(below, references) for key, below in schema.items()}
    if isinstance(reference := schema.get("$ref"), str):
        tidied["$ref"] = references.get(reference, reference)
    if isinstance(description := schema.get("description"), str):
        tidied["description"] = inspect.cleandoc(description).replace("``", "`")
    if isinstance(title := schema.get("title"), str):
        tidied["title"] = plain_name(title)
    for name, field in tidied["properties"].items() if isinstance(tidied.get("properties"), dict) else ():
        # a tag stands in no class body that could describe it
        if len(only := field.get("enum", ())) == 1 and "description" not in field:
            tidied["properties"][name] = {
                "description": f"Always `{only[0]}`: tells this kind from the others.",
                **field,
            }
    if places := tidied.pop("prefixItems", None):
        tidied["items"] = widest(places)
    if isinstance(discriminator := schema.get("discriminator"), dict):
        tidied["discriminator"] = {key: value for key, value in discriminator.items() if key != "mapping"}
    return tidied


def widest(places: list[dict[str, Any]]) -> dict[str, Any]:
    """Return one schema for all places of an array of numbers: what they share, and the widest bounds of any."""
    shared = {key: value for key, value in places[0].items() if all(one.get(key) == value for one in places)}
    bounds = {"minimum": min, "maximum": max}
    return shared | {
        key: pick(one[key] for one in places) for key, pick in bounds.items() if all(key in one for one in places)
    }
