"""The OpenAPI document: what the framework writes from the routes, repaired from the Structs themselves.

The framework leaves out ``additionalProperties: false``, discriminators and the Structs' docstrings, so every component
is written anew by msgspec. Examples are those under openapi/examples, on the media type where clients and tools look
for them.
"""

from __future__ import annotations

import difflib
import inspect
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
from litestar import Litestar
from litestar.openapi import OpenAPIConfig
from litestar.openapi.spec import Contact, License, Tag

from tramwright_service.batch.lines import BatchLine, CorrectionLine, MovesLine, Refusal, VerdictLine
from tramwright_service.batch.summary import BatchSummary
from tramwright_service.wire.json_schema import plain_name, tidy
from tramwright_service.wire.problems import Problem
from tramwright_service.wire.requests import Health, SolverDetail, SolverList, correction_request
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.results.correction import Correction

from ..catalogue import examples
from ..catalogue.endpoints import QUESTIONS
from ..execution.corrections import Corrections
from ..execution.gallery import Gallery
from ..execution.metrics import Metrics
from ..execution.plug_ins.hosts import PlugIns
from ..execution.threads import kinds
from ..maps.colours import THEMES
from ..settings import Settings
from ..wire import problems
from ..wire.json_schema import REF, components_of, placed
from ..wire.media_types import HTML, JSON, MSGPACK, NDJSON, OCTETS, PDF, PNG, SVG, TEXT
from ..wire.problems import Kind
from . import openapi_access as keys
from . import openapi_farm as farm
from .access import needed
from .pictures import THEME
from .routes import routes
from .routes.batch import Engines

API = "1.0"
"""Version of the interface, which is not that of the package: fields may be added to it, never renamed."""

OF_A_BODY: tuple[Kind, ...] = (
    problems.UNREADABLE,
    problems.NOT_ACCEPTABLE,
    problems.CUT_OFF,
    problems.TOO_LARGE,
    problems.UNSUPPORTED,
    problems.INVALID,
    problems.INTERNAL,
    problems.PLUG_IN,
    problems.PLUG_IN_OUT_OF_TIME,
    problems.ON_HOLD,
    problems.BUSY,
    problems.CROWDED,
)
ERRORS: dict[str, tuple[Kind, ...]] = {
    "correct": (*OF_A_BODY, problems.IMPOSSIBLE, problems.OUT_OF_TIME),
    "correctBatch": (
        problems.BAD_REQUEST,
        problems.NOT_ACCEPTABLE,
        problems.UNSUPPORTED,
        problems.INTERNAL,
        problems.BUSY,
        problems.CROWDED,
        problems.NO_STORE,
    ),
    **{question.operation_id: OF_A_BODY for question in QUESTIONS},
    "listSolvers": (problems.INTERNAL,),
    "describeSolver": (problems.NOT_FOUND, problems.INTERNAL),
    **farm.ERRORS,
    "live": (problems.INTERNAL,),
    "ready": (problems.INTERNAL, problems.NOT_READY),
}
"""Which problems each operation can answer with."""


TAGS = (
    Tag("corrections", "From surveys to moves, one survey at a time or any number by the line."),
    Tag("questions", "What else surveys tell: where to read, whose error it is, what moved, which screw is out."),
    farm.TAG,
    farm.EVENTS_TAG,
    Tag("solvers", "Which solvers this installation has, what each needs, and an example that works."),
    Tag("health", "For whoever starts, watches and replaces the service."),
)

SAYS = "The moves, what they leave, an order of work and a verdict."
SHEETS = {"correct", "getCorrection"}
"""The operations whose answers can be had as a sheet."""
DRAWN = {*SHEETS, "compareSurveys", *(question.operation_id for question in QUESTIONS if question.draws)}
"""The operations whose answers can be drawn."""
INVENTED = "Invented readings of an invented machine"


def document(registry: Registry, settings: Settings) -> dict[str, Any]:
    """Return the document of the API with these solvers."""
    workers, nobody = kinds(settings), PlugIns(registry, settings)
    config = OpenAPIConfig(
        title="Tramwright",
        version=API,
        description=inspect.cleandoc(
            """
            From dial-indicator readings over a machine bed to the moves that make bed and tool plane parallel.

            Lengths are in the payload's `units`; x to the right, y to the rear, z up; the gap is positive where the bed
            is high; travel is positive up. Errors are `application/problem+json` (RFC 9457) with JSON Pointers.

            An answer is a calculation from the readings given: local codes, the machine's maker and licensed practice
            come first.

            A guide to each question, with examples that work: [/docs/guides/](/docs/guides/). Pages for whoever stands
            at the machine, which ask these routes: [/bench/machine](/bench/machine).
            """
        ),
        contact=Contact("Whoever runs this installation", None if settings.contact == "none" else settings.contact),
        license=License(settings.licence, identifier=settings.licence),
        tags=list(TAGS),
        use_handler_docstrings=True,
        create_examples=False,
    )
    # An application that is never served: its only use is that the framework writes down its routes. Left to itself, it
    # would set up how this process logs.
    metrics = Metrics(settings)
    solver = Corrections(nobody, settings, workers, metrics, GeometryCache(0))
    gallery = Gallery(workers.maps, 0, metrics)
    handlers = routes(nobody, settings, workers, Engines(nobody, settings), metrics, solver, gallery, None)
    paper = Litestar(route_handlers=handlers, openapi_config=config, logging_config=None)
    scopes = {one.operation_id: needed(one) for one in handlers}
    workers.close()
    written: dict[str, Any] = msgspec.to_builtins(paper.openapi_schema.to_schema())
    written["components"] = {"schemas": components(registry), "securitySchemes": keys.SCHEMES}
    written["webhooks"] = farm.posted()
    posted: dict[str, tuple[str, type, str, dict[str, dict[str, object]]]] = {
        "correct": ("CorrectionRequest", Correction, SAYS, examples.corrections()),
        **{
            question.operation_id: (
                question.component(registry),
                question.answer,
                question.says,
                examples.of(question.name),
            )
            for question in QUESTIONS
        },
    }
    for path in written["paths"].values():
        for operation in path.values():
            if told := posted.get(operation["operationId"]):
                bodies(operation, *told)
            if operation["operationId"] == "correctBatch":
                lines(operation)
            farm.describe(operation)
            if operation["operationId"] in SHEETS:
                operation["responses"]["200"]["content"][HTML] = {"schema": {"type": "string"}}
            if operation["operationId"] in DRAWN:
                pictures(operation)
            scope = scopes[operation["operationId"]]
            repair(operation, keys.ERRORS if scope else ())
            keys.secure(operation, scope, asked=settings.access == "keys")
    return written


def bodies(
    operation: dict[str, Any], component: str, answer: type, says: str, shipped: dict[str, dict[str, object]]
) -> None:
    """Write what an operation takes and gives: JSON and MessagePack, and text for people."""
    schema, given = {"$ref": REF.format(name=component)}, {"$ref": REF.format(name=answer.__name__)}
    named = {key: {"summary": INVENTED, "value": value} for key, value in shipped.items()}
    operation["requestBody"] = {
        "required": True,
        "description": f"The same document may be sent as MessagePack, under Content-Type `{MSGPACK}`.",
        # MessagePack is not listed: generators of clients warn about every type of body that they cannot write.
        "content": {JSON: {"schema": schema, "examples": named}},
    }
    operation["responses"]["200"] = {
        "description": says,
        "content": {JSON: {"schema": given}, MSGPACK: {"schema": given}, TEXT: {"schema": {"type": "string"}}},
    }


def pictures(operation: dict[str, Any]) -> None:
    """Write as which pictures an operation answers, and how they may look."""
    operation["parameters"] = [
        *operation.get("parameters", ()),
        {
            "name": THEME,
            "in": "query",
            "required": False,
            "description": f"How `{SVG}` and `{PNG}` look; it changes no other form.",
            "schema": {"type": "string", "enum": list(THEMES), "default": THEMES[0]},
        },
    ]
    operation["responses"]["200"]["content"] |= {
        SVG: {"schema": {"type": "string"}},
        **{one: {"schema": {"type": "string", "format": "binary"}} for one in (PNG, PDF)},
    }


def lines(operation: dict[str, Any]) -> None:
    """Write what a batch takes and gives: lines of bytes, and of both sides the schema of one line.

    Generators of clients leave out a route whose body is of a type that they do not know, so it is told as plain bytes.
    """
    answers = ("VerdictLine", "MovesLine", "CorrectionLine", "Refusal", "BatchSummary")
    given = [{"$ref": REF.format(name=name)} for name in answers]
    operation["requestBody"] = {
        "required": True,
        "description": "Lines of JSON in UTF-8, each a `BatchLine` and ended by a newline. Blank lines are passed over "
        f"and counted. Content-Type is `{NDJSON}` or `{OCTETS}`.",
        "content": {OCTETS: {"schema": stream({"$ref": REF.format(name="BatchLine")})}},
    }
    operation["responses"]["200"] = {
        "description": "One line for each line sent, in the same order, and a summary at the end.",
        "content": {NDJSON: {"schema": {"anyOf": given}}, OCTETS: {"schema": stream({"anyOf": given})}},
    }


def stream(line: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of lines as bytes."""
    return {"type": "string", "format": "binary", "contentMediaType": NDJSON, "contentSchema": line}


def repair(operation: dict[str, Any], more: Sequence[Kind]) -> None:
    """Give an operation the problems that it can answer with, those of its own and more."""
    name = operation["operationId"]
    responses = {status: answer for status, answer in operation["responses"].items() if status.startswith("2")}
    for kind in dict.fromkeys((*ERRORS[name], *more)):
        status = str(kind.status)
        before = responses[status]["description"] + " " if status in responses else ""
        responses[status] = {
            "description": f"{before}{kind.title}. {kind.remedy}",
            "content": {problems.MEDIA_TYPE: {"schema": {"$ref": REF.format(name="Problem")}}},
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


def components(registry: Registry) -> dict[str, Any]:
    """Return every component of the API: closed objects, discriminators, docstrings."""
    generic: Any = BatchLine
    asked = [correction_request(registry), generic[registry.union()], *(one.request(registry) for one in QUESTIONS)]
    asked += farm.requests(registry)
    lines = (VerdictLine, MovesLine, CorrectionLine, Refusal, BatchSummary)
    answers = [Correction, *lines, *(one.answer for one in QUESTIONS), *farm.ANSWERS]
    answers += [SolverList, SolverDetail, Health, Problem]
    readers = {name: solver.extras for name, solver in registry.solvers.items() if solver.extras is not None}
    references, schemas = components_of((*asked, *answers, *readers.values()), registry, REF)
    # A member of an answer may have a default in the code; it is there all the same, null where it does not apply. What
    # was sent and is handed back has the members that it was sent with.
    sent = msgspec.json.schema_components(asked, ref_template=REF)[1]
    for name in msgspec.json.schema_components(answers, ref_template=REF)[1]:
        if "properties" in schemas[name] and name not in sent:
            schemas[name]["required"] = list(schemas[name]["properties"])
    farm.typed(schemas)
    described = dict(zip(readers, references[len(references) - len(readers) :], strict=True))
    for name, guest in registry.guests.items():
        if guest.extras is not None:
            own = f"{registry.solvers[name].__name__}Extras"
            schemas |= placed(guest.extras, own, REF)
            described[name] = {"$ref": REF.format(name=own)}
    if described:
        extras = schemas["Machine"]["properties"]["extras"]
        extras |= {"properties": described, "additionalProperties": False}
        del extras["propertyNames"], extras["maxProperties"]
    # A generic Struct's name carries its parameters; a client's class is better called by the plain name.
    plain = {REF.format(name=name): REF.format(name=plain_name(name)) for name in schemas}
    return {plain_name(name): tidy(schemas[name], plain) for name in sorted(schemas)}
