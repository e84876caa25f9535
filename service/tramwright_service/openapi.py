"""The OpenAPI document: what the framework writes from the routes, repaired from the Structs themselves.

The framework leaves out ``additionalProperties: false``, discriminators and the Structs' docstrings, so every component is
written anew by msgspec. Examples are those under openapi/examples, on the media type where clients and tools look for
them.
"""

from __future__ import annotations

import difflib
import inspect
import re
from pathlib import Path
from typing import Any

import msgspec
from litestar import Litestar
from litestar.openapi import OpenAPIConfig

from tramwright_solvers.answer import Correction
from tramwright_solvers.registry import Registry

from . import examples, problems, version
from .decoding import JSON, MSGPACK
from .negotiation import TEXT
from .payloads import Health, SolverDetail, SolverList, correction_request
from .problems import Kind, Problem
from .routes import routes
from .settings import Settings
from .workers import Workers

_REF = "#/components/schemas/{name}"

ERRORS: dict[str, tuple[Kind, ...]] = {
    "correct": (
        problems.UNREADABLE,
        problems.NOT_ACCEPTABLE,
        problems.TOO_LARGE,
        problems.UNSUPPORTED,
        problems.INVALID,
        problems.IMPOSSIBLE,
        problems.INTERNAL,
        problems.BUSY,
        problems.OUT_OF_TIME,
    ),
    "listSolvers": (problems.INTERNAL,),
    "describeSolver": (problems.NOT_FOUND, problems.INTERNAL),
    "live": (problems.INTERNAL,),
    "ready": (problems.INTERNAL, problems.NOT_READY),
}
"""Which problems each operation can answer with."""


def document(registry: Registry, settings: Settings) -> dict[str, Any]:
    """Return the document of the API with these solvers."""
    workers = Workers(1)
    config = OpenAPIConfig(
        title="Tramwright",
        version=version() if version() != "0" else "0.1.0",
        description=inspect.cleandoc(
            """
            From dial-indicator readings over a machine bed to the moves that make bed and tool plane parallel.

            Lengths are in the payload's `units`; x to the right, y to the rear, z up; the gap is positive where the bed
            is high; travel is positive up. Errors are `application/problem+json` (RFC 9457) with JSON Pointers.

            An answer is a calculation from the readings given: local codes, the machine's maker and licensed practice
            come first.
            """
        ),
        create_examples=False,
    )
    # An application that is never served: its only use is that the framework writes down its routes.
    paper = Litestar(route_handlers=routes(registry, settings, workers), openapi_config=config)
    workers.close()
    written: dict[str, Any] = msgspec.to_builtins(paper.openapi_schema.to_schema())
    written["components"]["schemas"] = components(registry)
    for path in written["paths"].values():
        for operation in path.values():
            repair(operation)
    return written


def components(registry: Registry) -> dict[str, Any]:
    """Return every component as msgspec writes it: closed objects, discriminators, docstrings."""
    request = correction_request(registry)
    types = (request, Correction, SolverList, SolverDetail, Health, Problem)
    _, schemas = msgspec.json.schema_components(types, ref_template=_REF)
    # A generic Struct's name carries its parameters; a client's class is better called by the plain name.
    plain = {name: re.split(r"[^A-Za-z0-9]", name)[0] for name in schemas}
    text = msgspec.json.encode({plain[name]: schema for name, schema in schemas.items()}).decode()
    for name, short in sorted(plain.items(), key=lambda pair: -len(pair[0])):
        text = text.replace(f'"{_REF.format(name=name)}"', f'"{_REF.format(name=short)}"')
    found: dict[str, Any] = msgspec.json.decode(text)
    for schema in found.values():
        schema.get("discriminator", {}).pop("mapping", None)
        schema["title"] = re.split(r"[^A-Za-z0-9]", schema.get("title", ""))[0]
        _drop_mappings(schema)
    return dict(sorted(found.items()))


def _drop_mappings(schema: Any) -> None:
    """Take the mapping out of every discriminator: tools that rename components leave it dangling."""
    if isinstance(schema, dict):
        if isinstance(discriminator := schema.get("discriminator"), dict):
            discriminator.pop("mapping", None)
        for below in schema.values():
            _drop_mappings(below)
    elif isinstance(schema, list):
        for below in schema:
            _drop_mappings(below)


def repair(operation: dict[str, Any]) -> None:
    """Give an operation its examples, its forms of answer and its problems."""
    name = operation["operationId"]
    responses = {status: answer for status, answer in operation["responses"].items() if status.startswith("2")}
    if name == "correct":
        schema = {"$ref": _REF.format(name="CorrectionRequest")}
        shipped = {key: {"value": value} for key, value in examples.corrections().items()}
        operation["requestBody"]["content"] = {
            JSON: {"schema": schema, "examples": shipped},
            MSGPACK: {"schema": schema},
        }
        answer = {"$ref": _REF.format(name="Correction")}
        responses["200"] = {
            "description": "The moves, what they leave, an order of work and a verdict.",
            "content": {JSON: {"schema": answer}, MSGPACK: {"schema": answer}, TEXT: {"schema": {"type": "string"}}},
        }
    for kind in ERRORS[name]:
        status = str(kind.status)
        before = responses[status]["description"] + " " if status in responses else ""
        responses[status] = {
            "description": f"{before}{kind.title}. {kind.remedy}",
            "content": {problems.MEDIA_TYPE: {"schema": {"$ref": _REF.format(name="Problem")}}},
        }
    operation["responses"] = responses


def text(registry: Registry, settings: Settings) -> str:
    """Return the document as it is committed: indented, with a final newline."""
    encoded = msgspec.json.encode(document(registry, settings))
    return msgspec.json.format(encoded, indent=2).decode() + "\n"


def differences(registry: Registry, settings: Settings, path: Path) -> list[str]:
    """Return the lines in which a committed document differs from what the code says now."""
    committed = path.read_text(encoding="utf-8").splitlines() if path.is_file() else []
    current = text(registry, settings).splitlines()
    return list(difflib.unified_diff(committed, current, str(path), "this code", lineterm="", n=1))
