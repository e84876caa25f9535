"""What a height check says: which screw, which guide, what to do, and what is wrong with one that was asked for."""

from __future__ import annotations

from collections.abc import Sequence

from ..diagnostics.sentences import STATIONS_FOR_TERM
from ..model.machine import Machine
from ..model.sentences import GENERAL_CAUTIONS
from ..multisurvey.reduction import Group
from ..multisurvey.sentences import REPEATED, TERM_NAMES
from .results import Cause, LeadError, TermSlope

NO_CARRYING_SUPPORTS = (
    "A height check asks which screw lifts more than the others; describe the three or four supports that "
    "carry the bed up and down, with their positions."
)

MEAN_IS_UNSEEN = "mean lead error: it lifts the whole bed, which the indicator's zero takes up."


def one_height(shared: float | None) -> str:
    here = "" if shared is None else f", and all these are at {shared:g}"
    return (
        f"One height shows how the bed lies there, not how that changes as it moves{here}; add a survey at "
        "another height, as far from this one as the machine allows."
    )


def does_not_rise(solver: str) -> str:
    return f"`{solver}` moves what does not rise with the bed; name a solver of its supports."


def term_unseen(term: str) -> str:
    return f"{term}: taken as unchanged; to tell it takes {STATIONS_FOR_TERM[term]}, at two heights or more."


def screws_unseen(names: str) -> str:
    return f"{names}: these stations do not tell them apart; read the corners of the bed too."


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
            f"{one.adjuster} {one.per_100_mm:+.1f} (u {one.u:.1f})"
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


def remedies(
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
            f"{one.adjuster} × {one.factor:.6f}" for one in leads if one.significant and one.factor is not None
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


def not_proportional(solvers: Sequence[str]) -> str:
    return (
        f"The effect of the adjusters of {', '.join(f'`{name}`' for name in solvers)} is not proportional to travel, "
        "and what these errors come to over the whole height differs from it by more than a reading's u: the lead "
        "errors are by their slope where the machine's description says that they stand."
    )


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
