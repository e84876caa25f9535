"""A comparison in one sentence: what moved, what would explain it, or what could have moved unseen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ..diagnostics.reliability import ALPHA
from ..diagnostics.sentences import STATIONS_FOR_TERM
from ..model.sentences import GENERAL_CAUTIONS
from ..model.units import DECIMALS
from ..multisurvey.joint_adjustment import Joint
from ..multisurvey.sentences import REPEATED, TERM_NAMES
from .results import AdjusterChange, Finding, Remainder, TermChange, TotalChange


def finding(
    units: Literal["mm", "inch"],
    terms: Sequence[TermChange],
    remainder: Remainder | None,
    adjusters: Sequence[AdjusterChange],
    beyond: bool,
) -> Finding:
    """Write the finding: moved where a term or the remainder changed by more than chance makes it."""
    digits = DECIMALS[units]
    tests = sum(term.change is not None for term in terms) + (remainder is not None)
    risk = 1.0 - (1.0 - ALPHA) ** tests
    changed = [
        f"{TERM_NAMES[term.term]} by {term.change:+.{digits}f} {units} (u {term.u:.{digits}f})"
        for term in sorted(terms, key=lambda term: -abs(term.change or 0.0))
        if term.significant
    ]
    if remainder is not None and remainder.significant:
        changed.append(
            f"local form by {remainder.rms:.{digits}f} {units} rms, where noise makes {remainder.expected:.{digits}f}"
        )
    if not tests:
        return Finding(False, CANNOT_BE_TOLD, 0.0)
    if not changed:
        return Finding(False, f"Not shown to have moved. {would_have_been_seen(units, terms)}", risk)
    said = f"It moved: {', '.join(changed)}."
    if cause := explanation(units, adjusters, beyond):
        said += f" {cause}"
    if remainder is not None and remainder.significant:
        said += " The stations that changed say where; read them again before looking for a cause."
    return Finding(True, said, risk)


def would_have_been_seen(units: Literal["mm", "inch"], terms: Sequence[TermChange]) -> str:
    """Say what change would have been seen."""
    digits = DECIMALS[units]
    seen = [
        f"{TERM_NAMES[term.term]} {term.smallest_detectable:.{digits}f}"
        for term in terms
        if term.smallest_detectable is not None
    ]
    if not seen:
        return "These stations cannot show a change of any term."
    return f"Seen four times in five would be a change from these on, in {units}: {', '.join(seen)}."


def explanation(units: Literal["mm", "inch"], adjusters: Sequence[AdjusterChange], beyond: bool) -> str:
    """Return a sentence: which adjusters would explain the change."""
    digits = DECIMALS[units]

    def move(one: AdjusterChange, travel: float) -> str:
        return f"{one.adjuster} {abs(travel):.{digits}f} {units} {'up' if travel > 0 else 'down'}"

    single = [move(one, one.if_alone) for one in adjusters if one.explains and one.if_alone is not None]
    if single:
        either = "" if len(single) == 1 else "any one of "
        return f"As if by {either}{', or '.join(single)}."
    several = [move(one, one.travel) for one in adjusters if one.significant and one.travel is not None]
    if beyond:
        part = f"As if by {', '.join(several)}; but the" if several else "The"
        return f"{part} adjusters cannot explain all of it: plate, frame or guides changed their form."
    return f"As if by {', '.join(several)}." if several else ""


NOT_SETTLED = (
    "The travels of adjusters whose effect is not proportional to travel did not settle: do not rely on the travels "
    "given, nor on their uncertainty."
)


def assumptions(joint: Joint, shared: int, *, held: bool, repeated: bool, bent: Sequence[str]) -> list[str]:
    """Say what the numbers rest on; ``shared`` stations were read in both surveys, ``bent`` solvers are not linear."""
    told = [COMMON if joint.common.any() else INDEPENDENT]
    if shared < len(joint.common):
        told.append(
            f"{shared} of {len(joint.common)} stations were read in both surveys, and only they are compared: between "
            "others lies the form of the bed itself. Reading all the same stations again shows smaller changes."
        )
    if held:
        told.append("Adjusters under `hold` are taken not to have moved.")
    if repeated:
        told.append(REPEATED)
    if bent:
        told.append(
            f"The effect of the adjusters of {', '.join(f'`{name}`' for name in bent)} is not proportional to travel: "
            "their travels are from where the machine's description says that they stand, and taken to be from there "
            "in the first survey; each u is by the slope at the travel."
        )
    return told


CANNOT_BE_TOLD = (
    "Whether it moved cannot be told: too few stations were read in both surveys. Read those of the first survey again."
)

INDEPENDENT = (
    "The indicator's error of indication is taken as independent in the two surveys, as for a dial that was zeroed "
    "anew. If the same indicator read on the same part of its scale, much of it cancels and smaller changes could be "
    "shown."
)
COMMON = (
    "The indicator's error of indication is taken as the same in both surveys at a station that both read: the same "
    "indicator, reading on the same part of its scale."
)


def undetermined(
    terms: Sequence[TermChange], remainder: Remainder | None, adjusters: Sequence[AdjusterChange]
) -> list[str]:
    """Name what the two surveys cannot tell, and what would."""
    local = [] if remainder is not None else ["remainder: too few stations were read in both surveys to test it."]
    return [*blind_terms(terms), *local, *blind_adjusters(adjusters)]


def blind_terms(terms: Sequence[TermChange]) -> list[str]:
    """Name the terms whose change cannot be told."""
    told = []
    for term in terms:
        if term.change is None and term.term == "offset":
            told.append("offset: each survey has its own zero; ask with `offset` as `keep` if the indicator held it.")
        elif term.change is None:
            told.append(
                f"{term.term}: taken as unchanged; to tell it, both surveys need {STATIONS_FOR_TERM[term.term]}, the "
                "same in both."
            )
    return told


def blind_adjusters(adjusters: Sequence[AdjusterChange]) -> list[str]:
    """Name the adjusters whose travel cannot be told."""
    unseen = [one.adjuster for one in adjusters if one.known == "unseen"]
    together = [one.adjuster for one in adjusters if one.known == "together"]
    told = []
    if unseen:
        told.append(f"{', '.join(unseen)}: these stations do not tell them apart; read the corners of the bed as well.")
    if together:
        told.append(
            f"{', '.join(together)}: no survey tells all of their travel, because others, or the indicator's zero, do "
            "the same to the gap; the travels given are the least effort that explains the change."
        )
    return told


def cautions(total: TotalChange, shared: int) -> list[str]:
    """Return what to mind before acting on the comparison."""
    told = []
    if not total.same_stations:
        told.append("The two totals are over different stations, so their change says nothing of the machine.")
    if shared == 0:
        told.append("No station was read in both surveys, so a change of local form cannot be told from form itself.")
    return [*told, *GENERAL_CAUTIONS]


MATERIAL_UNKNOWN = (
    "What the bed is made of is not known here, so no growth or bow can be expected of it; name its material "
    "under `machine.bed.material`."
)

BOW_NOT_TOLD = (
    "A bed warmed evenly grows and stays flat; whether it bowed these stations do not tell: read three or more along "
    "x and along y in both surveys."
)

WARMED_EVENLY = (
    "A bed warmed evenly grows and stays flat, and no change of bow was found: nothing says that its faces "
    "differ in temperature."
)

THICKNESS_WANTED = (
    "The bow changed; give `machine.bed.thickness` to learn what difference between the faces would do that."
)


def difference_needed(needed: Sequence[tuple[str, float, float]]) -> str:
    """Say what differences, each along an axis and with its u, would make the bows."""
    listed = " and ".join(f"{difference:+.1f} K (u {u:.1f} K) along {axis}" for axis, difference, u in needed)
    return f"The change of bow would take a difference between the faces, underside less top, of {listed}"


def bows_alike_both_ways(said: str) -> str:
    return (
        f"{said}; but a free plate bows alike both ways, so heat in the plate alone does not explain it: look at "
        "how it is held, at the frame and the gantry."
    )


def more_than_the_warming(said: str, change: float) -> str:
    return (
        f"{said}; that is more than the whole change of {change:+.1f} K, so heat in the plate alone does not "
        "explain it: look at how it is held, at the frame and the gantry."
    )


def possible_with_this_warming(said: str, change: float) -> str:
    return f"{said}, which a change of {change:+.1f} K makes possible; measure both faces to be sure."
