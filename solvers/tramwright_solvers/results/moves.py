"""Moves, the plans that they belong to, and the steps in which they are made. Lengths are in the machine's unit."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.quantities import AdjusterId, SolverName
from .findings import Place


class Counted(Struct, frozen=True, gc=False):
    """What is counted while an adjuster is moved that has a scale of its own."""

    value: Annotated[float, Meta(description="How many units, always positive.")]
    unit: Annotated[str, Meta(description="What is counted, as `degrees` or `clicks`.")]
    way: Annotated[str, Meta(description="Which way, as `clockwise`.")]
    seen_from: Annotated[str, Meta(description="From where the way is seen; empty where it needs no telling.")]


class MoveOf(Struct, frozen=True, gc=False):
    """One adjuster's move, and how to make it."""

    adjuster: AdjusterId
    solver: SolverName
    travel: Annotated[float, Meta(description="Signed distance to move it, in `units`, positive = up.")]
    u: Annotated[
        float | None,
        Meta(
            description="Standard uncertainty (k = 1) of the travel as worked out from the readings, in `units`; null "
            "under `minimum-zone`, whose travels hang on the few outermost readings."
        ),
    ]
    ask: Annotated[
        float | None,
        Meta(
            description="Travel to set where the adjuster is known not to move as far as it is asked, in `units`, "
            "positive = up; null, the same as `travel`."
        ),
    ] = None
    turns: Annotated[
        float | None,
        Meta(
            description="Turns of the screw, always positive: |`ask`, or else `travel`| / lead; null where no screw "
            "is described."
        ),
    ] = None
    degrees: Annotated[
        float | None, Meta(description="The same turn in degrees, always positive; null where no screw is described.")
    ] = None
    direction: Annotated[
        Literal["clockwise", "anticlockwise"] | None,
        Meta(description="Which way to turn, seen from `seen_from`; null where no screw is described."),
    ] = None
    seen_from: Annotated[
        Literal["above", "below"] | None,
        Meta(description="From which side the direction is seen; null where no screw is described."),
    ] = None
    stack: Annotated[
        list[float] | None,
        Meta(
            description="Thicknesses of the shims to put in, in `units`, empty where some only come out; null where "
            "it is not shimmed."
        ),
    ] = None
    remove: Annotated[
        list[float] | None, Meta(description="Thicknesses of the shims to take out, in `units`; null where none are.")
    ] = None
    counted: Annotated[
        Counted | None,
        Meta(description="The same on the adjuster's own scale; null where its solver describes none."),
    ] = None


class Plan(Struct, frozen=True, gc=False):
    """The best that this number of moves can do."""

    moves: Annotated[int, Meta(description="Number of adjusters moved.")]
    adjusters: Annotated[list[str], Meta(description="Which adjusters are moved, by `id`.")]
    total: Annotated[float, Meta(description="Predicted total, in `units`.")]
    rms: Annotated[float, Meta(description="Predicted root mean square of the gap, in `units`.")]
    effort: Annotated[
        float,
        Meta(description="Sum of the efforts of the adjusters moved; a support counts 1 unless described otherwise."),
    ]
    chosen: Annotated[bool, Meta(description="True for the plan that `moves` and `steps` carry out.")]


class Binding(Struct, frozen=True):
    """An adjuster at the end of its travel, or a condition at its end, and what more would bring."""

    adjuster: Annotated[
        str | None,
        Meta(description="The adjuster: `id` of a support or of a rail seat; null where it is a condition."),
    ]
    way: Annotated[
        Literal["up", "down"],
        Meta(description="Which way it would have to go further; of a condition, `up` at its upper end."),
    ]
    more: Annotated[
        float,
        Meta(description="How much further, in `units`, always positive; of a condition, in what its solver counts."),
    ]
    total: Annotated[float, Meta(description="Predicted total if it could, in `units`.")]
    condition: Annotated[
        str | None, Meta(description="The condition, as its solver says it; null where it is an adjuster.")
    ] = None


class Choice(Struct, frozen=True, gc=False):
    """Which plan the moves carry out, and why."""

    adjusters: Annotated[list[str], Meta(description="Adjusters of the plan, by `id`.")]
    outcome: Annotated[
        Literal["reached", "best", "stopped", "within", "none"],
        Meta(
            description="`reached`: the total with its U reaches the aim. `best`: the best attainable. `stopped`: the "
            "best found within the limit of the search, mostly `time_limit`. `within`: nothing is moved, for the bed "
            "is proven within its limit and no aim was given. `none`: nothing is moved before more is read."
        ),
    ]
    aim_for: Annotated[float, Meta(description="Total aimed at, in `units`.")]
    why: Annotated[str, Meta(description="Why this plan, in a sentence.")]
    exact_up_to: Annotated[
        int,
        Meta(
            description="Every subset of up to this many adjusters was weighed; of larger ones only whole groups, a "
            "heuristic."
        ),
    ]
    gap: Annotated[
        float,
        Meta(
            description="How far the plan may be from the best by the criterion's own measure (rms, or half of "
            "highest minus lowest gap), in `units`; 0 where that is proven."
        ),
    ] = 0.0
    binding: Annotated[
        tuple[Binding, ...],
        Meta(
            description="Adjusters whose bounds stand in the way of the aim, the most useful first; empty where none "
            "do."
        ),
    ] = ()


class Rung(Struct, frozen=True, gc=False):
    """What is left once this group of adjusters, with those before it, has done all it can."""

    after: Annotated[
        str,
        Meta(
            description="`as found`, or the solver whose adjusters have now done all they can, together with those "
            "before it."
        ),
    ]
    total: Annotated[float, Meta(description="Total that is left, in `units`.")]
    rms: Annotated[float, Meta(description="Root mean square of the gap that is left, in `units`.")]


class Step(Struct, frozen=True, gc=False):
    """One thing to do: move an adjuster while the indicator is parked at a station, or read a station."""

    do: Annotated[str, Meta(description="The instruction, in a sentence.")]
    adjuster: Annotated[
        str | None,
        Meta(
            description="`id` of the support or seat to move, which may take several steps; null where a station is to "
            "be read."
        ),
    ]
    travel: Annotated[
        float | None,
        Meta(
            description="Signed distance to move it, in `units`, positive = up; null where a station is to be read, "
            "and where it is moved only until the dial stirs."
        ),
    ]
    park: Annotated[
        Place,
        Meta(
            description="Station at which the dial stands meanwhile, the first that this step moves most, or would if "
            "the adjuster moved the bed; or the station to read."
        ),
    ]
    dial_before: Annotated[
        float | None,
        Meta(
            description="What the dial reads there before this step and after those before it, in `units`, in the "
            "user's own sense; null at a station not read before."
        ),
    ]
    dial_after: Annotated[
        float | None,
        Meta(
            description="What it should read after this step, in `units`, in the same sense; null where a station is "
            "to be read."
        ),
    ]
    dial_goes: Annotated[
        Literal["up", "down", "still"] | None,
        Meta(
            description="Which way the reading must go, `still` where it must not change; if it goes otherwise, stop. "
            "Null where a station is to be read."
        ),
    ]
