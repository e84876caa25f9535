"""Steps of the work already carried out, as they are sent."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from .given import Given
from .quantities import Coordinate, Name, Travel


class Parked(Given, frozen=True):
    """The station at which the indicator stood during a step, as in `steps[].park`."""

    x: Annotated[Coordinate, Meta(description="Position along x, to the right, on the bed, in `units`.")]
    y: Annotated[Coordinate, Meta(description="Position along y, to the rear, on the bed, in `units`.")]


class Done(Given, frozen=True):
    """One step carried out after the survey: what was asked of an adjuster, and what the dial then read.

    Adjuster, travel and park are those of the step in the answer before; the survey stays the one before all steps.
    """

    adjuster: Annotated[Name, Meta(description="`id` of the support or seat that was moved, as in `steps[].adjuster`.")]
    travel: Annotated[
        Travel | None,
        Meta(
            description="Travel that the step told, as in `steps[].travel`, in `units`, positive = up, whatever came "
            "of it; null where it was moved until the dial stirred."
        ),
    ]
    park: Annotated[Parked, Meta(description="Where the indicator stood meanwhile: a station of the survey.")]
    read: Annotated[
        Travel | None,
        Meta(
            description="What the dial read there after the step, in `units`, in the user's own sense and with the "
            "zero of the survey (of its first set-up); absent or null, not read."
        ),
    ] = None
    read_before: Annotated[
        Travel | None,
        Meta(
            description="What it read there just before the step. With it, only the change counts, so the indicator "
            "may have been zeroed anew; absent or null, as worked out from the survey and the steps before."
        ),
    ] = None


Steps = Annotated[
    list[Done],
    Meta(
        max_length=200,
        description="Steps already carried out after the survey, in that order; the answer then holds the rest of the "
        "work from where the machine is. Empty or left out, none.",
    ),
]
