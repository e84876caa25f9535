"""A survey as it is sent: readings, when they were taken, and the passes made before it."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct, field

from .machine import Coordinate, Name, Travel


class Reading(Struct, frozen=True, forbid_unknown_fields=True):
    """The dial at one station: one value, or several taken without moving."""

    x: Coordinate
    y: Coordinate
    value: Travel | Annotated[list[Travel], Meta(min_length=1, max_length=1000)]
    setup: Annotated[str, Meta(max_length=64)] = ""
    time: Annotated[float, Meta(ge=-1e12, le=1e12)] | Annotated[str, Meta(max_length=40)] | None = None


class Made(Struct, frozen=True, forbid_unknown_fields=True):
    """What was asked of one adjuster and set on it: the turns or sheets given, as travel, whatever came of them."""

    adjuster: Name
    travel: Travel


class Pass(Struct, frozen=True, forbid_unknown_fields=True):
    """One pass of tramming: the readings before it, in the shape of `survey.readings`, and the moves then made."""

    readings: Annotated[list[Reading], Meta(max_length=20_000)]
    moves: Annotated[list[Made], Meta(min_length=1, max_length=64)]


class Previous(Pass, frozen=True, forbid_unknown_fields=True):
    """The last pass before this survey, and any `earlier` ones, the oldest first.

    Each pass ends where the next begins, so the readings before one pass are the readings after the one before it.
    From what was asked and what the readings then showed, each adjuster's response is learnt.
    """

    earlier: Annotated[list[Pass], Meta(max_length=16)] = field(default_factory=list)


class Survey(Struct, frozen=True, forbid_unknown_fields=True):
    """Readings over the bed, taken with one adjustment of the machine."""

    readings: Annotated[list[Reading], Meta(max_length=20_000)]
    taken_at: Annotated[str, Meta(max_length=40, description="RFC 3339 date and time.")] | None = None
    bed_temperature: Annotated[float, Meta(ge=-100, le=600, description="°C")] | None = None
    previous: Annotated[Previous, Meta(description="The pass before this survey, to learn from.")] | None = None
