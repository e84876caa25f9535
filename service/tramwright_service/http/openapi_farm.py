"""What the OpenAPI document says of the stored farm: what each operation takes, gives and can fail with."""

from __future__ import annotations

from typing import Any

from litestar.openapi.spec import Tag
from msgspec import Struct

from tramwright_solvers.comparison.results import Comparison
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.results.correction import Correction

from ..wire import problems
from ..wire.events import DATA, CloudEvent, WebhookChange, WebhookEntry, WebhookList, WebhookMade, WebhookRecord
from ..wire.history import History
from ..wire.json_schema import REF
from ..wire.media_types import CLOUD_EVENT, EVENTS, JSON, MERGE_PATCH, MSGPACK, SVG, TEXT
from ..wire.problems import Kind
from ..wire.stored import (
    Fleet,
    MachineList,
    MachineRecord,
    MachineStanding,
    MovesEntry,
    MovesRecord,
    NoteEntry,
    NoteList,
    NoteRecord,
    SurveyList,
    SurveyRecord,
    machine_entry,
    survey_entry,
)

TAG = Tag(
    "farm",
    "Machines, their surveys and how they stand, kept in a store. A service without a store answers 404 "
    "(`no-store`) to all of these.",
)

EVENTS_TAG = Tag(
    "events",
    "What happens in the farm, as it happens: as server-sent events, and posted to webhooks. Each is a CloudEvent 1.0.",
)

STORE = (problems.NO_STORE, problems.INTERNAL, problems.STORE_DAMAGED, problems.NO_ACCESS)
READ = (problems.NOT_FOUND, *STORE, problems.NOT_ACCEPTABLE)
LISTED = (problems.BAD_REQUEST, *READ)
WRITE = (*READ, problems.STORE_FULL)
BODY = (problems.UNREADABLE, problems.CUT_OFF, problems.TOO_LARGE, problems.UNSUPPORTED, problems.INVALID)
SOLVED = (
    problems.IMPOSSIBLE, problems.PLUG_IN, problems.PLUG_IN_OUT_OF_TIME, problems.BUSY, problems.OUT_OF_TIME,
)  # fmt: skip


class Operation(Struct, frozen=True):
    """One operation: what it takes and gives, its success told in words, and its problems."""

    answer: type[Struct] | None
    says: str
    errors: tuple[Kind, ...]
    takes: str = ""
    sent_as: str = JSON
    status: str = "200"
    text: bool = False
    gives: str = ""
    """Media type of an answer that is no document."""


OPERATIONS = {
    "putMachine": Operation(
        MachineRecord,
        "Another version of the description was stored, or it was there already.",
        (*BODY, problems.IMPOSSIBLE, *WRITE, problems.CHANGED),
        "MachineEntry",
    ),
    "patchMachine": Operation(
        MachineRecord,
        "The machine with the change made.",
        (*BODY, problems.IMPOSSIBLE, *WRITE, problems.CHANGED),
        "MachineEntry",
        MERGE_PATCH,
    ),
    "getMachine": Operation(MachineRecord, "The machine as it is described now.", READ),
    "getMachineVersion": Operation(MachineRecord, "The machine as it was described then.", READ),
    "deleteMachine": Operation(None, "The machine is in no list any more.", (*WRITE, problems.CHANGED), status="204"),
    "listMachines": Operation(MachineList, "A page of machines.", LISTED),
    "getFleet": Operation(Fleet, "A page of the farm and its counts.", LISTED),
    "getStanding": Operation(MachineStanding, "How the machine stands.", READ),
    "getHistory": Operation(History, "A page of its surveys, and what its latest have come to.", LISTED, text=True),
    "postSurvey": Operation(
        SurveyRecord,
        "The survey and its correction are stored.",
        (problems.BAD_REQUEST, *BODY, *WRITE, *SOLVED),
        "SurveyEntry",
        status="201",
    ),
    "listSurveys": Operation(SurveyList, "A page of surveys.", LISTED),
    "getSurvey": Operation(SurveyRecord, "The survey and what was said of it.", READ),
    "getCorrection": Operation(Correction, "The whole correction.", (*LISTED, problems.INVALID, *SOLVED), text=True),
    "getThumbnail": Operation(None, "The picture.", (*LISTED, problems.INVALID, *SOLVED), gives=SVG),
    "compareSurveys": Operation(
        Comparison, "What moved between the two.", (*LISTED, problems.INVALID, *SOLVED), text=True
    ),
    "putMoves": Operation(MovesRecord, "The moves as they are recorded now.", (*BODY, *WRITE), "MovesEntry"),
    "getMoves": Operation(MovesRecord, "The moves as last recorded.", READ),
    "postNote": Operation(NoteRecord, "The note is stored.", (*BODY, *WRITE), "NoteEntry", status="201"),
    "listNotes": Operation(NoteList, "A page of notes.", LISTED),
    "getEvents": Operation(
        CloudEvent,
        "Events until the client goes away, each with a CloudEvent 1.0 in its `data`.",
        (problems.BAD_REQUEST, *STORE, problems.NOT_ACCEPTABLE, problems.BUSY),
        gives=EVENTS,
    ),
    "postWebhook": Operation(
        WebhookMade,
        "The webhook is set up for what happens from now on; its secret is shown this once.",
        (*BODY, *WRITE),
        "WebhookEntry",
        status="201",
    ),
    "listWebhooks": Operation(WebhookList, "Every webhook.", (*STORE, problems.NOT_ACCEPTABLE)),
    "getWebhook": Operation(WebhookRecord, "The webhook and how it fares.", READ),
    "patchWebhook": Operation(WebhookRecord, "The webhook as it is now.", (*BODY, *WRITE), "WebhookChange"),
    "deleteWebhook": Operation(None, "Nothing is sent to it any more.", WRITE, status="204"),
}

ERRORS = {name: operation.errors for name, operation in OPERATIONS.items()}
ANSWERS: list[Any] = list(
    dict.fromkeys(
        one.answer
        for one in OPERATIONS.values()
        if one.answer is not None and one.answer not in (Correction, Comparison)
    )
)
ANSWERS += [one for one in DATA.values() if one not in ANSWERS]


def requests(registry: Registry) -> list[Any]:
    """Return the types of what is stored, for the solvers of one registry."""
    return [
        machine_entry(registry.union()),
        survey_entry(registry.union()),
        MovesEntry,
        NoteEntry,
        WebhookEntry,
        WebhookChange,
    ]


def typed(schemas: dict[str, Any]) -> None:
    """Write what `data` of an event is: of msgspec's own types no union of several could be read, so it has none."""
    by_type = "; ".join(f"`{kind}`: {data.__name__}" for kind, data in DATA.items())
    schemas["CloudEvent"]["properties"]["data"] = {
        "anyOf": [{"$ref": REF.format(name=data.__name__)} for data in DATA.values()],
        "description": f"What is told of it, by its type. {by_type}.",
    }


def posted() -> dict[str, Any]:
    """Return what the service itself posts, to whoever has set up a webhook."""
    headers = {
        "webhook-id": "Id of the message; the same where it is sent again.",
        "webhook-timestamp": "When it was sent: whole seconds since 1970, UTC.",
        "webhook-signature": "`v1,` and HMAC-SHA256 of id, timestamp and body, parted by full stops, in Base64.",
    }
    return {
        "event": {
            "post": {
                "operationId": "receiveEvent",
                "summary": "What happens in the farm",
                "description": "Signed by the Standard Webhooks specification; sent again until it is taken.",
                "tags": [EVENTS_TAG.name],
                "security": [],  # a receiver knows its sender by the signature
                "parameters": [
                    {"name": name, "in": "header", "required": True, "description": says, "schema": {"type": "string"}}
                    for name, says in headers.items()
                ],
                "requestBody": {
                    "required": True,
                    "description": "One event.",
                    "content": {CLOUD_EVENT: {"schema": {"$ref": REF.format(name=CloudEvent.__name__)}}},
                },
                "responses": {"2XX": {"description": "It is taken."}, "410": {"description": "No more are wanted."}},
            }
        }
    }


def describe(operation: dict[str, Any]) -> None:
    """Write what an operation of the stored farm takes and gives; any other is left as it is."""
    told = OPERATIONS.get(operation["operationId"])
    if told is None:
        return
    if told.takes:
        schema: dict[str, Any] = {"$ref": REF.format(name=told.takes)}
        if told.sent_as == MERGE_PATCH:  # any members of it, and null for those to be taken away
            schema = {"type": "object", "description": "The members to change; null takes one away."}
        operation["requestBody"] = {
            "required": True,
            "description": "A merge patch (RFC 7396)."
            if told.sent_as == MERGE_PATCH
            else f"The same document may be sent as MessagePack, under Content-Type `{MSGPACK}`.",
            "content": {told.sent_as: {"schema": schema}},
        }
    success: dict[str, Any] = {"description": told.says}
    if told.gives:
        # of a stream, some read the schema as that of one event, others as that of the whole
        success["content"] = {told.gives: {} if told.gives == EVENTS else {"schema": {"type": "string"}}}
    elif told.answer is not None:
        given = {"schema": {"$ref": REF.format(name=told.answer.__name__)}}
        text = {TEXT: {"schema": {"type": "string"}}} if told.text else {}
        success["content"] = {JSON: given, MSGPACK: given, **text}
    operation["responses"] = {told.status: success}
    if operation["operationId"] == "putMachine":
        operation["responses"]["201"] = {**success, "description": "The machine is new, or there again."}
