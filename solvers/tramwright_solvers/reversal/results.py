"""The answer to a reversal. Lengths are in the machine's unit, heights positive up; ``u`` is a standard uncertainty.

A high spot of the plate raises the gap, a high spot of the gantry (the surface the tool sweeps) lowers it.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.quantities import Cautions, MachineId, MaybeUncertainty, SolverVersions, StandardUncertainty, Units, X, Y


class ReversalStation(Struct, frozen=True):
    """Height of a form at one station, positive = high."""

    x: X
    y: Y
    height: Annotated[float, Meta(description="Height of the decided part, in `units`, positive = up.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of that height, in `units`.")]
    if_all_its_own: Annotated[
        float, Meta(description="Height if all that is undecided were this one's own, in `units`, positive = up.")
    ]


class ReversalTerm(Struct, frozen=True):
    """One term of a form. Bow-x and bow-y are sums and differences of round bow and saddle, and so no further terms."""

    term: Annotated[
        str, Meta(description="`twist`, `saddle`, `round bow`, `bow-x`, `bow-y`, or `remainder`: what these leave.")
    ]
    range: Annotated[
        float | None,
        Meta(
            description="Highest minus lowest value of the term over the stations, in `units`; null where it cannot "
            "be told whose it is."
        ),
    ]
    u: MaybeUncertainty
    significant: Annotated[
        bool,
        Meta(
            description="True where the term is more than noise: beyond twice its u; for the remainder by a "
            "chi-squared test."
        ),
    ]
    decidable: Annotated[
        bool, Meta(description="True where the surveys tell whose it is, the plate's or the gantry's.")
    ]


class ReversalForm(Struct, frozen=True):
    """Form of plate or gantry, its plane taken off."""

    stations: Annotated[
        list[ReversalStation],
        Meta(
            description="Height at every station. Stations of the plate are in the plate's own frame: where they lie "
            "when it is neither turned nor shifted."
        ),
    ]
    range: Annotated[float, Meta(description="Highest minus lowest height of the decided part, in `units`.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the range, in `units`.")]
    range_if_all_its_own: Annotated[
        float, Meta(description="The range if all that is undecided were this one's own, in `units`.")
    ]
    rms: Annotated[float, Meta(description="Root mean square of the decided heights, in `units`.")]
    significant: Annotated[bool, Meta(description="True where the decided part is more than noise (chi-squared).")]
    terms: Annotated[list[ReversalTerm], Meta(description="The decided part split into terms.")]


class UndecidedShape(Struct, frozen=True):
    """A shape that plate and gantry may have together without changing any gap given."""

    name: Annotated[str, Meta(description="`twist`, `saddle` or `round bow`; empty for a shape that has no name.")]
    plate: Annotated[
        list[float],
        Meta(description="Its heights at the plate's stations, in their order; the largest of plate and gantry is 1."),
    ]
    gantry: Annotated[
        list[float], Meta(description="Its heights at the gantry's stations, in their order, on the same scale.")
    ]
    range: Annotated[
        float | None,
        Meta(description="How much of it there is in the gap, in `units`; null for shapes that have no name."),
    ]
    u: MaybeUncertainty


class Undecided(Struct, frozen=True):
    """The part that no data given can tell apart."""

    dimension: Annotated[int, Meta(description="Number of independent shapes in it; piston and tilt do not count.")]
    range: Annotated[float, Meta(description="How much of it the gap holds, in `units`, as highest minus lowest.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the range, in `units`.")]
    significant: Annotated[bool, Meta(description="True where it is more than noise (chi-squared).")]
    beyond: Annotated[
        int,
        Meta(description="How many of its shapes no further turn by quarters or shift by a station would tell either."),
    ]
    shapes: Annotated[
        list[UndecidedShape], Meta(description="Its shapes one by one, those with a name first; 24 at the most.")
    ]
    says: Annotated[str, Meta(description="What cannot be told, in a sentence or two.")]


class FurtherSurvey(Struct, frozen=True):
    """A further way to lay the plate, and what it would tell."""

    turned: Annotated[
        float,
        Meta(description="Turn of the plate about the middle of the bed, in degrees, anticlockwise seen from above."),
    ]
    shifted: Annotated[
        tuple[float, float], Meta(description="Shift of the plate after the turn, [along x, along y], in `units`.")
    ]
    stations: Annotated[int, Meta(description="Number of its stations that can be compared with those read.")]
    removes: Annotated[int, Meta(description="How many undecided shapes it would tell.")]
    leaves: Annotated[int, Meta(description="How many undecided shapes it would leave.")]
    effort: Annotated[float, Meta(description="Effort of laying the plate so: 1 for a turn, 2 for a shift.")]


class Further(Struct, frozen=True):
    """What to survey next."""

    worth_while: Annotated[bool, Meta(description="True where a further survey would tell something.")]
    tried: Annotated[
        list[FurtherSurvey], Meta(description="Every way that was tried, what tells most for its effort first.")
    ]
    says: Annotated[str, Meta(description="What to do next, in a sentence or two.")]


class LaidTotal(Struct, frozen=True):
    """Total of one survey with its plane taken off: what levelling alone leaves with the plate laid like this."""

    turned: Annotated[
        float,
        Meta(description="Turn of the plate about the middle of the bed, in degrees, anticlockwise seen from above."),
    ]
    shifted: Annotated[
        tuple[float, float], Meta(description="Shift of the plate after the turn, [along x, along y], in `units`.")
    ]
    stations: Annotated[int, Meta(description="Number of stations compared.")]
    total: Annotated[float, Meta(description="Highest minus lowest gap without its plane, in `units`.")]
    u: StandardUncertainty


class ReversalVerdict(Struct, frozen=True):
    """Whose error it is: the form with the larger mean square, whosever the undecided part may be."""

    whose: Annotated[
        Literal["plate", "gantry", "both", "neither", "undecided"],
        Meta(
            description="`plate` or `gantry` where its form is surely the larger, `both` where neither is, `neither` "
            "where nothing is more than noise, `undecided` where these surveys cannot tell."
        ),
    ]
    probability: Annotated[
        float | None,
        Meta(
            description="Probability that the one named is the larger, in the least favourable case; null where none "
            "is named."
        ),
    ]
    says: Annotated[str, Meta(description="The same in a sentence or two, with the sizes.")]


class BetterPlate(Struct, frozen=True):
    """What a perfect plate would leave after levelling, the gantry's own form, against the first survey's total."""

    total_now: Annotated[float, Meta(description="Total of the first survey with its plane taken off, in `units`.")]
    total_now_u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of `total_now`, in `units`.")]
    least: Annotated[
        float,
        Meta(
            description="What a perfect plate would leave at the least, in `units`; less than `most` where it is "
            "undecided whose a part is."
        ),
    ]
    least_u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of `least`, in `units`.")]
    most: Annotated[float, Meta(description="What a perfect plate would leave at the most, in `units`.")]
    most_u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of `most`, in `units`.")]
    limit: Annotated[float, Meta(description="Largest total that is still good, in `units`.")]
    standing: Annotated[
        Literal["within", "outside", "undecided"],
        Meta(
            description="Both `least` and `most` against the limit (ISO 14253-1); `undecided` where they differ or "
            "are not proven."
        ),
    ]
    helps: Annotated[
        Literal["yes", "no", "undecided"],
        Meta(description="Whether a perfect plate would be an improvement beyond doubt, for `least` and `most` alike."),
    ]
    after_rails: Annotated[
        float | None,
        Meta(
            description="What moving the rail seats, or other adjusters of the gantry, for the best would leave of the "
            "gantry's decided form, in `units`, whatever their bounds; null where none are described."
        ),
    ]
    best_laid: Annotated[
        LaidTotal,
        Meta(description="Survey with the least total among those with at least as many stations as the first."),
    ]
    says: Annotated[str, Meta(description="What a better plate would bring, in a sentence or two.")]


class Agreement(Struct, frozen=True):
    """How well the surveys agree."""

    excess: Annotated[
        float | None,
        Meta(
            description="Weighted sum of squares left over its expectation, about 1 where they agree; null where "
            "nothing is left to compare."
        ),
    ]
    degrees_of_freedom: Annotated[int, Meta(description="How many independent comparisons there are.")]
    contradicted: Annotated[bool, Meta(description="True where the surveys disagree by more than noise.")]


class Reversal(ReversalVerdict, frozen=True):
    """Plate form and gantry form apart, and what remains undecided."""

    machine: MachineId
    units: Units
    k: Annotated[float, Meta(description="Coverage factor k of every U in the sentences: 1.645, one-sided 95 %.")]
    better_plate: Annotated[BetterPlate, Meta(description="What a perfect plate would leave.")]
    plate: Annotated[ReversalForm, Meta(description="Form of the plate.")]
    gantry: Annotated[ReversalForm, Meta(description="Form of the gantry: of the surface that the tool sweeps.")]
    undecided: Annotated[Undecided, Meta(description="The part that these surveys cannot tell apart.")]
    further: Annotated[Further, Meta(description="What to survey next.")]
    laid: Annotated[
        list[LaidTotal], Meta(description="Total of each survey with its plane taken off, in the order of the surveys.")
    ]
    agreement: Annotated[Agreement, Meta(description="How well the surveys agree.")]
    doubts: Annotated[list[str], Meta(description="What in the surveys does not fit; empty where all does.")]
    cautions: Cautions
    solver_versions: SolverVersions
