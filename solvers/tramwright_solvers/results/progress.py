"""How far the work is, told from the dial at each step. Lengths are in the machine's unit."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.quantities import AdjusterId, X, Y
from .findings import AsFound, Place


class StepDone(Struct, frozen=True, gc=False):
    """One step carried out, and what came of it."""

    adjuster: AdjusterId
    asked: Annotated[
        float | None,
        Meta(
            description="Travel that was asked for, in `units`, positive = up; null where it was moved until the dial "
            "stirred."
        ),
    ]
    moved: Annotated[
        float | None,
        Meta(
            description="Travel that came of it, in `units`, positive = up, from all dial readings and what was asked; "
            "null where it moved free of the bed, which the dial does not show."
        ),
    ]
    u: Annotated[
        float | None, Meta(description="Standard uncertainty (k = 1) of `moved`, in `units`; null where that is null.")
    ]
    park: Annotated[Place, Meta(description="Station at which the dial stood.")]
    expected: Annotated[
        float,
        Meta(
            description="What the dial should have read there afterwards had it moved as asked, in `units`, in the "
            "user's own sense."
        ),
    ]
    read: Annotated[float | None, Meta(description="What it did read, as sent; null where it was not read.")]
    says: Annotated[str, Meta(description="What the adjuster did, in a sentence.")]


class StationNow(Struct, frozen=True, gc=False):
    """Gap and dial at one station as the machine is now, from the indicator's zero in the first set-up."""

    x: X
    y: Y
    gap: Annotated[float, Meta(description="Gap now, in `units`, positive = bed high.")]
    dial: Annotated[float, Meta(description="What the dial should read there now, in `units`, in your own sense.")]


class Progress(Struct, frozen=True, gc=False):
    """Where the machine stands after the steps carried out, and how to go on."""

    says: Annotated[str, Meta(description="What to make of the last step, in a sentence or two.")]
    next: Annotated[
        Literal["go-on", "turn-back", "stop"],
        Meta(
            description="`go-on`: with the steps of this answer. `turn-back`: the last adjuster went too far, and the "
            "first of the steps takes it back. `stop`: it does not do what it is told, or the dial was misread; it is "
            "not moved again before that is settled."
        ),
    ]
    now: Annotated[
        AsFound, Meta(description="Total indicator reading as it is now, worked out from survey and dial readings.")
    ]
    stations: Annotated[
        list[StationNow], Meta(description="The same at every station, in the order of `predicted.stations`.")
    ]
    steps: Annotated[list[StepDone], Meta(description="The steps carried out, in the order of `done`.")]
