"""JSON Schemas of the Structs as msgspec writes them, tidied for people and for tools that make clients."""

from __future__ import annotations

import inspect
import re
from typing import Any

import msgspec

from tramwright_solvers.answer import Correction
from tramwright_solvers.registry import Registry

from .batch.lines import BatchLine, CorrectionLine, JudgedLine, MovedLine, Refusal
from .batch.tally import Summary
from .payloads import Health, SolverDetail, SolverList, correction_request
from .problems import Problem
from .questions import QUESTIONS

REF = "#/components/schemas/{name}"


def components(registry: Registry) -> dict[str, Any]:
    """Return every component of the API: closed objects, discriminators, docstrings."""
    asked = [kind for question in QUESTIONS for kind in (question.request(registry), question.answer)]
    generic: Any = BatchLine
    batch = (generic[registry.union()], JudgedLine, MovedLine, CorrectionLine, Refusal, Summary)
    types = (correction_request(registry), Correction, *batch, *asked, SolverList, SolverDetail, Health, Problem)
    _, schemas = msgspec.json.schema_components(types, ref_template=REF)
    # A generic Struct's name carries its parameters; a client's class is better called by the plain name.
    plain = {REF.format(name=name): REF.format(name=plain_name(name)) for name in schemas}
    return {plain_name(name): tidy(schemas[name], plain) for name in sorted(schemas)}


def plain_name(name: str) -> str:
    """Return a component's name without the parameters of a generic."""
    return re.split(r"[^A-Za-z0-9]", name)[0]


def tidy(schema: Any, references: dict[str, str]) -> Any:
    """Rename references, take the indentation out of docstrings, and take the mapping out of discriminators.

    Tools that rename components leave a mapping dangling, and the tag's own values say the same.
    """
    if isinstance(schema, list):
        return [tidy(below, references) for below in schema]
    if not isinstance(schema, dict):
        return schema
    tidied = {key: tidy(below, references) for key, below in schema.items()}
    if isinstance(reference := schema.get("$ref"), str):
        tidied["$ref"] = references.get(reference, reference)
    if isinstance(description := schema.get("description"), str):
        tidied["description"] = inspect.cleandoc(description)
    if isinstance(title := schema.get("title"), str):
        tidied["title"] = plain_name(title)
    if isinstance(discriminator := schema.get("discriminator"), dict):
        tidied["discriminator"] = {key: value for key, value in discriminator.items() if key != "mapping"}
    return tidied
