"""A survey as it is sent: readings, when they were taken, and the passes made before it."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, field

from .given import Given
from .quantities import FEWEST, PRINTED, BedTemperature, Coordinate, Name, TakenAt, Travel


class Reading(Given, frozen=True, gc=False):
    """The dial at one station: one value, or several taken without moving."""

    x: Annotated[Coordinate, Meta(description="Station: position along x, to the right, on the bed, in `units`.")]
    y: Annotated[Coordinate, Meta(description="Station: position along y, to the rear, on the bed, in `units`.")]
    value: Annotated[
        Travel | Annotated[list[Travel], Meta(min_length=1, max_length=1000)],
        Meta(description="What the dial reads, with its sign, in `units`; or several values read without moving."),
    ]
    setup: Annotated[
        str,
        Meta(
            max_length=64,
            pattern=PRINTED,
            description="Name of the set-up: readings with one zero of the indicator share it.",
        ),
    ] = ""
    time: Annotated[
        Annotated[float, Meta(ge=-1e12, le=1e12)] | Annotated[str, Meta(max_length=40)] | None,
        Meta(
            description="When it was read: seconds from any origin, or an RFC 3339 date and time. Times and closing "
            "readings let a steady drift be taken off; absent or null, not known."
        ),
    ] = None


Readings = Annotated[list[Reading], Meta(max_length=20_000, extra_json_schema=FEWEST)]


class Made(Given, frozen=True):
    """What was asked of one adjuster and set on it: the turns or sheets given, as travel, whatever came of them."""

    adjuster: Annotated[Name, Meta(description="`id` of the support or seat that was moved.")]
    travel: Annotated[
        Travel, Meta(description="Travel that was asked for and set, in `units`, positive = up; not what came of it.")
    ]


class Pass(Given, frozen=True):
    """One pass of tramming: the readings before it, in the shape of `survey.readings`, and the moves then made."""

    readings: Annotated[Readings, Meta(description="The survey before these moves.")]
    moves: Annotated[
        list[Made],
        Meta(min_length=1, max_length=64, description="The moves then made, one entry for each adjuster moved."),
    ]


class Previous(Pass, frozen=True, forbid_unknown_fields=True):
    """The last pass before this survey, and any `earlier` ones, the oldest first.

    Each pass ends where the next begins, so the readings before one pass are the readings after the one before it.
    From what was asked and what the readings then showed, each adjuster's response is learnt.
    """

    earlier: Annotated[
        list[Pass],
        Meta(max_length=16, description="Passes before that one, the oldest first; each ends where the next begins."),
    ] = field(default_factory=list)


class Survey(Given, frozen=True):
    """Readings over the bed, taken with one adjustment of the machine."""

    readings: Annotated[
        Readings,
        Meta(description="Dial readings, in the order in which they were taken; stations read again are pooled."),
    ]
    taken_at: TakenAt = None
    bed_temperature: BedTemperature = None
    previous: Annotated[
        Previous | None,
        Meta(description="The pass before this survey, to learn each adjuster's response from; absent or null, none."),
    ] = None
