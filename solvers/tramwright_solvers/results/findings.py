"""What a survey shows: totals, stations, terms, suspects, budgets. Lengths are in the machine's unit.

``u`` is a standard uncertainty (k = 1) as in JCGM 100. Small Structs are kept from the garbage collector's books, as in
:mod:`.results.correction`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.quantities import CoverageFactor, MaybeUncertainty, X, Y


class Place(Struct, frozen=True, gc=False):
    """A point on the bed."""

    x: X
    y: Y


class AsFound(Struct, frozen=True, gc=False):
    """A total indicator reading and where its extremes lie: the gap as found, or as predicted after the moves."""

    total: Annotated[float, Meta(description="Highest minus lowest gap over the stations, in `units`.")]
    u: Annotated[
        float,
        Meta(
            description="Standard uncertainty (k = 1) of the total, in `units`; of a predicted one with the errors of "
            "setting the adjusters."
        ),
    ]
    expanded: Annotated[float, Meta(description="Expanded uncertainty U = k · u of the total, in `units`.")]
    k: CoverageFactor
    rms: Annotated[
        float,
        Meta(
            description="Root mean square of the gap over the stations, in `units`; about its mean where the zero is "
            "free."
        ),
    ]
    highest: Annotated[Place, Meta(description="Station of the highest gap; the first of equals.")]
    lowest: Annotated[Place, Meta(description="Station of the lowest gap; the first of equals.")]


class Station(Struct, frozen=True, gc=False):
    """Gap and dial at one station before and after the moves, all from the indicator's zero in the first set-up."""

    x: X
    y: Y
    gap: Annotated[float, Meta(description="Predicted gap once the moves are made, in `units`, positive = bed high.")]
    before: Annotated[float, Meta(description="Gap as found, in `units`, positive = bed high.")]
    dial: Annotated[
        float,
        Meta(
            description="What the dial should read there afterwards, in `units`, in the sense given by "
            "`indicator.bed_high_reads`."
        ),
    ]
    dial_before: Annotated[float, Meta(description="What the dial read there, in `units`, in the same sense.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the predicted gap, in `units`.")]


class Predicted(AsFound, frozen=True):
    """The gap once the moves are made."""

    stations: Annotated[list[Station], Meta(description="Every station, in the order in which it was first read.")]


class FormTerm(Struct, frozen=True, gc=False):
    """One term of the gap's form."""

    term: Annotated[
        str,
        Meta(
            description="`offset`, `tilt-x`, `tilt-y`, `twist`, `bow-x`, `bow-y`, or `remainder`: what these leave. "
            "After them the known shapes that a solver describes, as the sag of a beam: taken off before, no share."
        ),
    ]
    range: Annotated[
        float | None,
        Meta(
            description="Highest minus lowest value of the term over the stations, in `units`, never negative; of the "
            "offset its size. Null where the stations cannot tell the term from those before it."
        ),
    ]
    u: MaybeUncertainty
    share: Annotated[
        float,
        Meta(
            description="Part of the gap's sum of squares about its mean, 0 to 1: what the term takes after those "
            "before it. Shares add up to 1; the offset has none."
        ),
    ]
    significant: Annotated[
        bool,
        Meta(
            description="True where the term is more than noise: beyond twice its u; for the remainder by a "
            "chi-squared test."
        ),
    ]
    over_bed: Annotated[
        float | None,
        Meta(
            description="The term over the whole bed, signed, in `units`; where the stations stand is no part of it, "
            "so it is followed from survey to survey. Tilts: how much the far side (right, rear) is above the near "
            "one; twist: how much front left and rear right are above the other corners, halved; bows: how much the "
            "ends are above the middle. Null for what has no sign, and where the stations cannot tell the term."
        ),
    ] = None
    over_bed_u: Annotated[
        float | None, Meta(description="Standard uncertainty (k = 1) of that, in `units`; null where it is.")
    ] = None


class Blind(Struct, frozen=True, gc=False):
    """Something the chosen stations cannot see, and what to read to see it."""

    what: Annotated[str, Meta(description="The term, or the `id` of the adjuster.")]
    kind: Annotated[
        Literal["term", "adjuster"], Meta(description="Whether `what` is a term of the form or an adjuster.")
    ]
    detail: Annotated[str, Meta(description="Why it is not seen, and which stations to add.")]


class Unchecked(Struct, frozen=True):
    """A station where a slip could go unnoticed."""

    x: X
    y: Y
    redundancy: Annotated[
        float, Meta(description="How far other readings check this one, 0 (not at all) to 1 (wholly).")
    ]
    smallest_detectable: Annotated[
        float | None,
        Meta(description="Null: no slip there is sure to be noticed, however large."),
    ]


class Suspect(Struct, frozen=True):
    """A reading that the rest of the survey contradicts; nothing is changed on its account."""

    x: X
    y: Y
    value: Annotated[
        float,
        Meta(description="What the dial read, in `units`, in the user's own sense, from the first set-up's zero."),
    ]
    expected: Annotated[float, Meta(description="What the rest of the survey makes it, in `units`, in the same sense.")]
    standardized: Annotated[
        float,
        Meta(
            description="Difference of value and expected over its standard deviation, estimated without the suspects."
        ),
    ]
    likely: Annotated[
        str,
        Meta(
            description="The slip that explains it, as `sign turned`; or `unknown`, with what to do: it may be the "
            "reading or the bed's own form."
        ),
    ]
    says: Annotated[str, Meta(description="What is wrong with it and what to do, in a sentence or two.")]
    redundancy: Annotated[
        float, Meta(description="How far other readings check this one, 0 (not at all) to 1 (wholly).")
    ]
    smallest_detectable: Annotated[
        float,
        Meta(
            description="Slip at this station that is named four times in five, in `units`, on a plate that tilts, "
            "twists and bows; other form hides larger ones."
        ),
    ]


class ClosingError(Struct, frozen=True):
    """How much a set-up changed between the first reading of a station and a later one."""

    x: X
    y: Y
    setup: Annotated[str, Meta(description="Name of the set-up; empty where it has none.")]
    error: Annotated[
        float,
        Meta(
            description="Later minus first reading, as gaps, in `units`, positive = the bed reads higher than before."
        ),
    ]
    after_drift: Annotated[
        float,
        Meta(
            description="What remains once the drift estimated for the set-up is taken off, in `units`; the same as "
            "`error` where none is."
        ),
    ]


class BudgetLine(Struct, frozen=True, gc=False):
    """One source of uncertainty."""

    name: Annotated[str, Meta(description="What the source is.")]
    value: Annotated[
        float,
        Meta(
            description="Half-width of a rectangular distribution, or standard deviation of a normal one, in `units`."
        ),
    ]
    distribution: Annotated[Literal["rectangular", "normal"], Meta(description="Distribution that is assumed for it.")]
    type: Annotated[
        Literal["A", "B"],
        Meta(
            description="How it was evaluated: `A`, by statistics of the readings; `B`, by other knowledge (JCGM 100)."
        ),
    ]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) that follows, in `units`.")]
    sensitivity: Annotated[
        float,
        Meta(description="Sensitivity coefficient: the contribution to the u of the total for each unit of this u."),
    ]
    share: Annotated[float, Meta(description="Part of the square of the total's u, 0 to 1; shares add up to 1.")]
    dof: Annotated[float | None, Meta(description="Degrees of freedom; null where they are unlimited.")] = None


class Budget(Struct, frozen=True, gc=False):
    """What makes up the u of a total."""

    u: Annotated[float, Meta(description="Combined standard uncertainty (k = 1) of the total, in `units`.")]
    lines: Annotated[list[BudgetLine], Meta(description="Sources of uncertainty, one a line.")]
    dof: Annotated[
        float | None,
        Meta(
            description="Effective degrees of freedom (Welch-Satterthwaite, JCGM 100, G.4); null where they are "
            "unlimited."
        ),
    ] = None


class Budgets(Struct, frozen=True, gc=False):
    """The uncertainty budgets of the total as found and of the predicted one."""

    as_found: Annotated[Budget, Meta(description="Budget of the total as found.")]
    predicted: Annotated[
        Budget, Meta(description="Budget of the predicted total; errors of setting the adjusters included.")
    ]


class OverBed(Struct, frozen=True, gc=False):
    """Highest minus lowest gap over the whole bed, between the stations too, the readings' errors taken out."""

    total: Annotated[
        float | None,
        Meta(
            description="Total to be expected over the whole bed, in `units`; null where the stations do not bear an "
            "estimate."
        ),
    ]
    u: MaybeUncertainty
    low: Annotated[
        float | None,
        Meta(
            description="Lower end of the interval that holds the total with at least 95 %, for the forms named in "
            "`says`, in `units`; null where `total` is."
        ),
    ]
    high: Annotated[float | None, Meta(description="Upper end of that interval, in `units`; null where `total` is.")]
    highest: Annotated[Place | None, Meta(description="Where the highest gap most likely is; null where `total` is.")]
    lowest: Annotated[Place | None, Meta(description="Where the lowest gap most likely is; null where `total` is.")]
    says: Annotated[str, Meta(description="How it was estimated, or why it was not.")]


class WholeBed(Struct, frozen=True, gc=False):
    """The totals over the whole bed, as found and once the moves are made."""

    as_found: Annotated[OverBed, Meta(description="Total over the whole bed as found.")]
    predicted: Annotated[OverBed, Meta(description="Total over the whole bed once the moves are made.")]
