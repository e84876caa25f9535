"""What travels over the wire of events: what happened in the farm, as CloudEvents 1.0, and webhooks that get it."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from msgspec import Meta, Struct, field

from tramwright_solvers.model.quantities import Name

from .drift import DriftWarning
from .stored import Instant, MachineName, MachineStanding, MovesRecord, NoteRecord, SurveyTold, Version

EventType = Literal[
    "tramwright.machine.stored",
    "tramwright.machine.retired",
    "tramwright.survey.stored",
    "tramwright.moves.recorded",
    "tramwright.note.written",
    "tramwright.standing.changed",
    "tramwright.drift.warned",
    "tramwright.webhook.disabled",
    "tramwright.events.missed",
]
TYPES: tuple[EventType, ...] = get_args(EventType)

Wanted = Annotated[
    list[EventType], Meta(max_length=32, description="Types of the events that are sent; empty, those of every type.")
]
Machines = Annotated[
    list[Name],
    Meta(max_length=256, description="Only what happens to these machines; empty, to any, and to none."),
]


class CloudEvent(Struct, frozen=True):
    """What happened, as CloudEvents 1.0 writes it (structured mode, JSON)."""

    id: Annotated[
        str,
        Meta(
            min_length=1,
            description="Number of the event in the store, one more with each; an event told again has the same one.",
        ),
    ]
    source: Annotated[
        str, Meta(min_length=1, description="To what it happened: a path of this service, as /v1/machines/kestrel.")
    ]
    type: Annotated[EventType, Meta(description="What happened.")]
    subject: Annotated[str, Meta(min_length=1, description="To what of it: the rest of that path, as surveys/12.")]
    time: Annotated[str, Meta(description="When: RFC 3339, UTC.")]
    data: Annotated[dict[str, Any], Meta(description="What is told of it, by its type.")]
    specversion: Annotated[Literal["1.0"], Meta(description="Version of CloudEvents.")] = "1.0"
    datacontenttype: Annotated[Literal["application/json"], Meta(description="Media type of `data`.")] = (
        "application/json"
    )


class MachineStored(Struct, frozen=True):
    """A machine was stored, or its description changed; `…/versions/{version}` has it whole."""

    id: MachineName
    version: Version
    site: Annotated[str | None, Meta(description="Where it stands; null where it was not said.")]
    tags: Annotated[list[str], Meta(description="Words by which lists can be filtered; empty where it has none.")]
    check_every: Annotated[
        float | None, Meta(description="Days after which a survey counts no longer; null, it counts until the next.")
    ]
    changed_at: Annotated[str, Meta(description="When this version was stored: RFC 3339, UTC.")]


class MachineRetired(Struct, frozen=True):
    """A machine was taken out of the farm."""

    id: MachineName
    version: Version
    retired_at: Annotated[str, Meta(description="When: RFC 3339, UTC.")]


class SurveyStored(SurveyTold, frozen=True):
    """A survey was stored with its correction; `…/surveys/{number}` has both."""

    machine: MachineName


class EventsMissed(Struct, frozen=True):
    """Events are no longer kept that this reader has not had. Whatever is kept follows."""

    after: Annotated[int, Meta(description="Number after which the reader was to go on.")]
    kept_from: Annotated[int, Meta(description="Number of the first event that may still follow.")]
    do: Annotated[str, Meta(description="What to do about it.")]


class WebhookEntry(Struct, frozen=True, forbid_unknown_fields=True):
    """A webhook to set up."""

    url: Annotated[
        str,
        Meta(
            min_length=1,
            max_length=2000,
            pattern=r"^https?://[!-~]+$(?!\n)",
            description="Where events are posted: http or https, in ASCII, without user or fragment.",
        ),
    ]
    types: Wanted = field(default_factory=list)
    machines: Machines = field(default_factory=list)


class WebhookChange(Struct, frozen=True, forbid_unknown_fields=True):
    """Whether a webhook is sent to."""

    enabled: Annotated[
        bool, Meta(description="true: go on after the last event that was taken; false: send nothing until then.")
    ]


class WebhookRecord(Struct, frozen=True):
    """A webhook and how it fares."""

    id: Annotated[str, Meta(description="Name that the service gave it.")]
    url: Annotated[str, Meta(description="Where events are posted.")]
    types: Annotated[list[str], Meta(description="Types of the events that are sent; empty, those of every type.")]
    machines: Annotated[list[str], Meta(description="Machines whose events are sent; empty, those of all.")]
    made_at: Instant
    state: Annotated[
        Literal["active", "failing", "disabled"],
        Meta(
            description="`failing`: the next event was not taken and is sent again at `next_attempt_at`. `disabled`: "
            "nothing is sent until a PATCH enables it."
        ),
    ]
    after: Annotated[
        int, Meta(description="Number of the last event that is done with; as written last, seldom the very latest.")
    ]
    failures: Annotated[int, Meta(description="How many times in a row the next event was not taken.")]
    failing_since: Annotated[
        str | None, Meta(description="When that began: RFC 3339, UTC; null where nothing is failing.")
    ]
    next_attempt_at: Annotated[
        str | None, Meta(description="When it is sent again: RFC 3339, UTC; null where nothing waits for a time.")
    ]
    why: Annotated[
        str | None, Meta(description="Why it was not taken, or why nothing is sent; null where all is well.")
    ]


class WebhookMade(WebhookRecord, frozen=True):
    """A new webhook with its secret, which is shown this once."""

    secret: Annotated[
        str, Meta(description="`whsec_` and the key in Base64, by which the receiver verifies signatures. Keep it.")
    ]


class WebhookList(Struct, frozen=True):
    """Every webhook, the oldest first."""

    webhooks: Annotated[list[WebhookRecord], Meta(description="The webhooks.")]


DATA: dict[EventType, type[Struct]] = {
    "tramwright.machine.stored": MachineStored,
    "tramwright.machine.retired": MachineRetired,
    "tramwright.survey.stored": SurveyStored,
    "tramwright.moves.recorded": MovesRecord,
    "tramwright.note.written": NoteRecord,
    "tramwright.standing.changed": MachineStanding,
    "tramwright.drift.warned": DriftWarning,
    "tramwright.webhook.disabled": WebhookRecord,
    "tramwright.events.missed": EventsMissed,
}
"""What `data` of each type is."""
