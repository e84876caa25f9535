"""The answer to a height check, and what it says to a person: which screw, which guide, what to do.

Slopes are in micrometres per 100 mm of height whatever the machine's unit; lengths in the machine's unit; ``u`` is a
standard uncertainty (k = 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.machine import Machine
from ..model.quantities import (
    Cautions,
    MachineId,
    MaybeUncertainty,
    Significant,
    SlopeUncertainty,
    SolverVersions,
    Units,
)
from ..model.safety import GENERAL_CAUTIONS
from ..multisurvey.reduction import Group
from ..multisurvey.wording import REPEATED, TERM_NAMES

Cause = Literal["screws", "guides", "both", "none"]
MadeBy = Literal["screws or guides", "guides"]


class LeadError(Struct, frozen=True):
    """How much more than told a screw lifts, against the mean of all screws (of those held, if any are)."""

    screw: Annotated[str, Meta(description="`id` of the support whose screw it is.")]
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


class HeightCheck(Struct, frozen=True):
    """How the bed's lie changes with its height."""

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
    screws: Annotated[list[LeadError], Meta(description="Lead error of each screw.")]
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
    advice: Annotated[list[str], Meta(description="What can be done, the cheapest first.")]
    assumptions: Annotated[list[str], Meta(description="What the numbers rest on.")]
    cautions: Cautions
    solver_versions: SolverVersions


DISAGREE = (
    "At the stations that they share, the surveys disagree by more than terms that grow and the stated uncertainty of "
    "the readings explain: a reading slipped, something local changed, or the indicator is worse than described. "
    "Settle that before believing any u here."
)


def sentence(cause: Cause, leads: Sequence[LeadError], terms: Sequence[TermSlope], uneven: bool | None) -> str:
    """Write the finding."""
    told = []
    if cause in ("screws", "both"):
        named = [
            f"{one.screw} {one.per_100_mm:+.1f} (u {one.u:.1f})"
            for one in sorted(leads, key=lambda one: -abs(one.per_100_mm or 0.0))
            if one.significant
        ]
        against = f": {', '.join(named)} µm per 100 mm against the mean" if named else ""
        told.append(
            f"The tilt changes with height as screws of unequal lead make it{against}. A guide that leans would look "
            "the same to these surveys."
        )
    if cause in ("guides", "both"):
        named = [
            f"{TERM_NAMES[term.term]} {term.per_100_mm:+.1f} (u {term.u:.1f})"
            for term in terms
            if term.significant and term.made_by == "guides"
        ]
        which = f" ({', '.join(named)} µm per 100 mm)" if named else ""
        told.append(
            f"The bed's form changes with height in a way that no screw makes{which}: look at guides and frame."
        )
    if cause == "none":
        least = [one.smallest_detectable for one in leads if one.smallest_detectable is not None]
        seen = (
            f"; a lead error of {max(least):.1f} µm per 100 mm would have been seen four times in five" if least else ""
        )
        told.append(f"Nothing is shown to change with height{seen}.")
    if uneven:
        told.append("The change is not proportional to height, so it is not a lead error alone.")
    return " ".join(told)


def advice(
    machine: Machine,
    cause: Cause,
    leads: Sequence[LeadError],
    growth: float,
    limit_after: float | None,
    uneven: bool | None,
) -> list[str]:
    """Say what can be done, the cheapest first."""
    told, places = [], 0 if machine.units == "mm" else 1
    if limit_after is not None:
        told.append(
            f"Level at the height at which the machine works: away from it the total changes by {growth:.1f} µm in "
            f"100 mm, which alone uses up the limit after {limit_after:.{places}f} {machine.units}."
        )
    if cause in ("screws", "both"):
        factors = ", ".join(
            f"{one.screw} × {one.factor:.6f}" for one in leads if one.significant and one.factor is not None
        )
        if factors:
            told.append(
                f"Where each screw has its own drive, multiply the travel that it is told: {factors}; then survey "
                "again at both heights."
            )
        told += [
            "To tell screws from a guide that leans: read each screw's own travel with the indicator at its support "
            "over the same heights, or exchange two screws and see whether the tilt goes along.",
            "Where one drive turns all screws, they must be alike: fit a matched set, or keep a table of the error "
            "against height (mapping) if the control can use one.",
        ]
    if cause in ("guides", "both"):
        told.append(
            "Guides: check that they are straight, parallel and square to the bed over the whole height, that no bolt "
            "is slack, and that the bed does not bind on them; align by the maker's instructions and survey again."
        )
    if any(one.per_100_mm is not None and one.factor is None for one in leads):
        told.insert(0, "No screw is out by so much: check the heights and their unit first.")
    if uneven:
        told.append(
            "Survey at more heights, some of them a fraction of a turn of the screw apart: an error that repeats with "
            "the turn is a bent or loose screw, one that runs on is a guide out of straight."
        )
    elif uneven is None and cause != "none":
        told.append("Survey at a third height, about the middle: two cannot show whether the change is even.")
    if cause == "none" and not told:
        told.append("Nothing to do. Heights farther apart would show smaller errors.")
    return told


def assumptions(group: Group, repeated: bool) -> list[str]:
    """Say what the numbers rest on."""
    told = [
        "Each support described is carried by a screw of its own, and the bed is free to follow the screws: guides "
        "that hold it square would strain it instead.",
        "A lead error is the same over the whole height; the heights given are those the machine was told, "
        "counted upward, and an error of 1 % in their difference changes a lead error by 1 % of itself.",
        "The indicator is zeroed anew at each height, its error of indication is independent from reading to reading, "
        "and the bed's temperature is the same.",
    ]
    if any(mechanism.hold for mechanism in group.mechanisms):
        told.append("Screws under `hold` are taken as true.")
    if repeated:
        told.append(REPEATED)
    return told


def cautions() -> list[str]:
    """Return what can hurt."""
    return [
        "A bed on screws can drop or run down when a screw, nut, belt or clamp is loosened: block it up from below and "
        "lock out the drives first.",
        *GENERAL_CAUTIONS,
    ]
