"""What the passes before teach: results as they are answered."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

from tramwright_solvers.model.quantities import AdjusterId


class Forecast(Struct, frozen=True):
    """How many passes (moves, then a survey) remain, the one proposed here included."""

    passes: Annotated[int, Meta(description="Number of passes, as the median of the passes played through.")]
    at_most: Annotated[
        int,
        Meta(
            description="Number of passes that is enough with at least 95 % confidence, of adjusters that lose no play."
        ),
    ]
    inside: Annotated[
        float,
        Meta(
            description="Total that these passes reach, in `units`: the aim, or where that is more what noise, form "
            "and the moves that are still sure to gain allow."
        ),
    ]
    says: Annotated[str, Meta(description="The same in a sentence.")]


class AdjusterResponse(Struct, frozen=True):
    """What one adjuster did with what was asked of it in the last pass in which it was moved."""

    adjuster: AdjusterId
    asked: Annotated[float, Meta(description="Travel that was asked for in that pass, in `units`, positive = up.")]
    moved: Annotated[
        float, Meta(description="Travel that came of it, in `units`, positive = up: `response` times `asked`.")
    ]
    response: Annotated[
        float,
        Meta(description="Travel made over travel asked, from all passes given; 1 where the adjuster does as asked."),
    ]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the response, a ratio without unit.")]
    determined: Annotated[
        bool,
        Meta(
            description="False where the readings fix only how adjusters moved against each other; the response then "
            "rests on the adjuster having done as asked, ± 0.3."
        ),
    ]
    follows: Annotated[
        bool,
        Meta(description="False where the response differs from 1 beyond doubt and by enough to look for a cause."),
    ]
    divisor: Annotated[
        float,
        Meta(
            description="What the next travel is divided by; 1 where the difference may be play or noise, where it "
            "moves in whole steps or shims, and where it must be mended first."
        ),
    ]
    says: Annotated[str, Meta(description="What it did and, where it does not follow, what may be the cause.")]
