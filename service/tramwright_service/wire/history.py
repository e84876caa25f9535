"""What the history of a stored machine is on the wire: what was found at each survey, and what it has come to."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from tramwright_solvers.model.quantities import Units

from .drift import DriftWarning, Earliest, Latest, NextCheck, When
from .stored import MachineName, Next, Number, Version

State = Literal["steady", "drifting", "jumped", "cannot-be-told"]
Term = Annotated[
    str,
    Meta(description="`total`, `tilt-x`, `tilt-y`, `twist`, `bow-x`, `bow-y` or `remainder`, as in a correction."),
]


class Valued(Struct, frozen=True, gc=False):
    """One term at one survey."""

    value: Annotated[float, Meta(description="In `units`: signed, over the whole bed (`over_bed` of a correction).")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the value, in `units`.")]


class HistoryPoint(Struct, frozen=True):
    """One survey of the history."""

    number: Number
    version: Version
    taken_at: Annotated[When, Meta(description="When it was taken; when it was stored, where it does not say.")]
    as_found: Annotated[Literal["within", "outside", "undecided"], Meta(description="As the survey found the machine.")]
    total: Annotated[float, Meta(description="Total as found, in `units`.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the total, in `units`.")]
    limit: Annotated[float, Meta(description="Limit it was judged by, in `units`.")]
    terms: Annotated[
        dict[str, Valued] | None,
        Meta(
            description="The terms that its stations can tell, by name. Null where they were not kept: surveys that "
            "were stored before the store kept terms."
        ),
    ]
    moves: Annotated[
        dict[str, float] | None,
        Meta(description="Travels really made after it, by adjuster, in `units`; null where none were recorded."),
    ]


class ControlLimits(Struct, frozen=True, gc=False):
    """The exponentially weighted moving average at one survey, and its control limits."""

    number: Number
    level: Annotated[float, Meta(description="The average, in `units`.")]
    lower: Annotated[float, Meta(description="Lower control limit, in `units`.")]
    upper: Annotated[float, Meta(description="Upper control limit, in `units`.")]


class Ewma(Struct, frozen=True):
    """Control chart of a term since its last start, which is its target."""

    weight: Annotated[float, Meta(description="Weight of the newest survey, 0 to 1.")] = field(name="lambda")
    k: Annotated[float, Meta(description="How many standard deviations the limits are away.")]
    points: Annotated[list[ControlLimits], Meta(description="One for each survey since that start, the oldest first.")]


class Crossing(Struct, frozen=True):
    """When the total is expected to pass the limit if the drift goes on as it is."""

    limit: Annotated[float, Meta(description="The limit, in `units`.")]
    at: Annotated[When, Meta(description="When it is expected: RFC 3339, UTC.")]
    earliest: Earliest
    latest: Latest


class HistorySeries(Struct, frozen=True):
    """One term over time, and what it has come to."""

    term: Term
    state: Annotated[
        State,
        Meta(
            description="`drifting`: it moves steadily, more than its uncertainties explain. `jumped`: it changed "
            "between two surveys and what came since does not yet tell more. `steady`: neither. `cannot-be-told`: too "
            "few surveys with nothing moved between, or moved since the last."
        ),
    ]
    since: Annotated[
        str | None, Meta(description="Taking of the survey since which it is so: RFC 3339, UTC; null where not told.")
    ]
    rate_per_day: Annotated[
        float | None, Meta(description="How fast it moves, in `units` a day; null where it cannot be told.")
    ]
    u: Annotated[
        float | None,
        Meta(
            description="Standard uncertainty (k = 1) of the rate, if it moves evenly; when a drift began is not taken "
            "for known. Null where the rate is."
        ),
    ]
    surveys: Annotated[int, Meta(description="How many surveys it is told from: the latest, fifty at most.")]
    ewma: Annotated[Ewma | None, Meta(description="Its control chart; null where the last surveys do not tell it.")]
    crosses: Annotated[
        Crossing | None,
        Meta(description="Of `total`: when it is expected to pass its limit; null where it is not, and of others."),
    ]


class JumpedTerm(Struct, frozen=True, gc=False):
    """By how much a term changed."""

    term: Term
    change: Annotated[float, Meta(description="After less before, in `units`.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the change, in `units`.")]


class Jump(Struct, frozen=True):
    """A change between two surveys that neither drift nor their uncertainties explain, and no recorded move."""

    before: Annotated[int, Meta(description="Number of the survey before it.")]
    after: Annotated[int, Meta(description="Number of the survey after it.")]
    earliest: Annotated[When, Meta(description="When the survey before was taken: RFC 3339, UTC.")]
    latest: Annotated[When, Meta(description="When the survey after was taken: RFC 3339, UTC.")]
    terms: Annotated[list[JumpedTerm], Meta(description="The terms that changed, the most certain first.")]
    comparison: Annotated[str, Meta(description="Path of the comparison of the two surveys.")]


class History(Struct, frozen=True):
    """A page of the history of a machine, and what it has come to by its latest surveys."""

    machine: MachineName
    units: Units
    limit: Annotated[float | None, Meta(description="Limit of the last survey, in `units`; null without surveys.")]
    as_of: Annotated[str, Meta(description="The time for which it holds: RFC 3339, UTC.")]
    says: Annotated[str, Meta(description="What it has come to and what to do, in a sentence or two.")]
    drift: Annotated[
        DriftWarning | None, Meta(description="The warning, before the limit is passed; null where there is none.")
    ]
    next_check: Annotated[NextCheck, Meta(description="When to survey it next, with the reason.")]
    series: Annotated[list[HistorySeries], Meta(description="The total and each term; empty without surveys.")]
    jumps: Annotated[list[Jump], Meta(description="What a transport or a crash may have changed, the latest first.")]
    points: Annotated[list[HistoryPoint], Meta(description="The surveys of this page, the oldest first.")]
    next: Next
