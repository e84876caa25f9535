"""The answer to a height check, and what it says to a person: which screw, which guide, what to do.

Slopes are in micrometres per 100 mm of height whatever the machine's unit; lengths in the machine's unit; ``u`` is a
standard uncertainty (k = 1).
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct

from ..model.quantities import (
    Cautions,
    MachineId,
    MaybeUncertainty,
    Significant,
    SlopeUncertainty,
    SolverVersions,
    Units,
)
from ..results.shown import Shown

Cause = Literal["screws", "guides", "both", "none"]
MadeBy = Literal["screws or guides", "guides"]


class LeadError(Struct, frozen=True):
    """How much more than told a screw lifts, against the mean of all screws (of those held, if any are)."""

    adjuster: Annotated[str, Meta(description="`id` of the support whose screw it is.")]
    per_100_mm: Annotated[
        float | None,
        Meta(
            description="In µm per 100 mm of height, positive = lifts more; null where the stations cannot tell this "
            "screw from the others."
        ),
    ]
    u: SlopeUncertainty
    significant: Significant
    smallest_detectable: Annotated[
        float | None,
        Meta(
            description="Smallest error that would have been found significant four times in five, in µm per 100 mm; "
            "null where `per_100_mm` is."
        ),
    ]
    factor: Annotated[
        float | None,
        Meta(
            description="What the travel told to this screw would be multiplied by to lift like the mean; null where "
            "`per_100_mm` is, and where the error is more than any screw has."
        ),
    ]
    lead: Annotated[
        float | None,
        Meta(
            description="Lead as found if the mean is what was described, in `units`; null where `factor` is, or no "
            "screw is described."
        ),
    ]


class TermSlope(Struct, frozen=True):
    """How a term over the whole bed grows with height."""

    term: Annotated[str, Meta(description="`tilt-x`, `tilt-y`, `twist`, `bow-x` or `bow-y`.")]
    per_100_mm: Annotated[
        float | None,
        Meta(
            description="In µm per 100 mm of height, signed as in a comparison; null where the stations cannot tell "
            "the term."
        ),
    ]
    u: SlopeUncertainty
    significant: Significant
    smallest_detectable: Annotated[
        float | None,
        Meta(
            description="Smallest growth that would have been found significant four times in five, in µm per 100 mm; "
            "null where `per_100_mm` is."
        ),
    ]
    made_by: Annotated[MadeBy, Meta(description="What can make the term grow: `guides` where the screws cannot.")]


class HeightTerm(Struct, frozen=True):
    """A term over the whole bed at one height."""

    term: Annotated[str, Meta(description="`tilt-x`, `tilt-y`, `twist`, `bow-x` or `bow-y`.")]
    value: Annotated[
        float | None,
        Meta(
            description="Its size in `units`, signed as in a comparison; null where the stations at this height "
            "cannot tell it."
        ),
    ]
    u: MaybeUncertainty


class Level(Struct, frozen=True):
    """How the bed lay at one height."""

    height: Annotated[float, Meta(description="Height of the bed as sent, in `units`, positive = up.")]
    total: Annotated[float, Meta(description="Total indicator reading over the stations of this survey, in `units`.")]
    terms: Annotated[list[HeightTerm], Meta(description="Each term of the form at this height.")]


class HeightCheck(Shown, frozen=True):
    """How the bed's lie changes with its height."""

    view: ClassVar[str] = "height_check"

    machine: MachineId
    units: Units
    cause: Annotated[
        Cause,
        Meta(
            description="What changes with height: `screws` of unequal lead, `guides` (or the frame), `both`, or "
            "`none` shown."
        ),
    ]
    says: Annotated[str, Meta(description="The same in a sentence or two.")]
    risk: Annotated[
        float, Meta(description="Probability, at most, of any of it being chance, over all tests together.")
    ]
    adjusters: Annotated[list[LeadError], Meta(description="Lead error of each screw.")]
    terms: Annotated[list[TermSlope], Meta(description="How each term of the form grows with height.")]
    growth: Annotated[
        float,
        Meta(description="By how much the total over the bed changes in 100 mm of height, in µm; never negative."),
    ]
    growth_u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the growth, in µm.")]
    limit_after: Annotated[
        float | None,
        Meta(
            description="Height from where the bed was levelled after which the growth alone uses up the limit, in "
            "`units`; null where no growth is shown."
        ),
    ]
    uneven: Annotated[
        bool | None,
        Meta(
            description="True where the change is not proportional to height; null with two heights, which cannot tell."
        ),
    ]
    doubts: Annotated[
        list[str],
        Meta(
            description="Where the surveys disagree by more than the readings' uncertainty explains; empty where they "
            "agree."
        ),
    ]
    levels: Annotated[list[Level], Meta(description="How the bed lay in each survey, in their order.")]
    undetermined: Annotated[list[str], Meta(description="What these surveys cannot tell, and what would tell it.")]
    remedies: Annotated[list[str], Meta(description="What can be done, the cheapest first.")]
    assumptions: Annotated[list[str], Meta(description="What the numbers rest on.")]
    cautions: Cautions
    solver_versions: SolverVersions
