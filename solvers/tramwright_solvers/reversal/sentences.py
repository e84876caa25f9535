"""Sentences of the answer to a reversal."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from math import gcd

from ..model.machine import Machine
from ..model.materials import HOT
from ..model.sentences import GENERAL_CAUTIONS
from ..model.units import DECIMALS, K
from .further import Candidate
from .placement import MatchedSurveys, PlacedSurvey, Placement
from .shapes import Shape

WARM = 3.0
"""Difference of bed temperature in °C between surveys that is worth a doubt; our own choice."""

MEANS = {
    "twist": "twist (two opposite corners up)",
    "saddle": "saddle (up along one axis, down along the other)",
    "round bow": "round bow (a shallow bowl or dome)",
}

CAUTIONS = (
    "A plate of this kind is heavy and its edges are sharp: lift it with two people or lifting gear, gloved, with the "
    "gantry parked away and the drives off, and set it down without jarring the supports.",
    "Before lifting, take off clamps and clips, and have heater and sensor leads unplugged cold and dead; leave work "
    "on mains voltage to licensed hands.",
    "Clamps and dirt bend a plate: wipe the seats, lay it the same way up, clamp it each time at the same places with "
    "the same force (or leave the clamps off in all surveys), and mark its front left corner so that turns are not "
    "mistaken.",
    "What the supports and gravity do to the plate stays with the machine when the plate turns, and so counts as the "
    "gantry's here; a plate that rocks on its supports spoils the comparison.",
)


def how_laid(placement: Placement) -> str:
    """Name a placement in a few words."""
    parts = [f"turned by {placement.turned % 360.0:g}°"] if placement.turned % 360.0 else []
    parts += ["shifted by ({:g}, {:g})".format(*placement.shifted)] if placement.shifted != (0.0, 0.0) else []
    return " and ".join(parts) or "neither turned nor shifted"


def length(machine: Machine, size: float) -> str:
    """Return a length with its unit, to a tenth of a usual division."""
    return f"{size:.{DECIMALS[machine.units]}f} {machine.units}"


def with_u(machine: Machine, size: float, u: float) -> str:
    """Return a length with its expanded uncertainty and unit."""
    digits = DECIMALS[machine.units]
    return f"{size:.{digits}f} ± {K * u:.{digits}f} {machine.units}"


def chance(probability: float) -> str:
    """Return a probability in per cent that never claims certainty."""
    return "over 99.9 %" if probability > 0.999 else f"{probability * 100:.1f} %"


def whose_says(
    machine: Machine,
    name: str,
    probability: float | None,
    plate: tuple[float, float],
    gantry: tuple[float, float],
    undecided: tuple[float, float] | None,
) -> str:
    """Return the verdict in one sentence."""
    sure = "" if probability is None else chance(probability)
    sizes = f"form of {with_u(machine, *plate)} in the plate and {with_u(machine, *gantry)} in the gantry"
    either = "" if undecided is None else f"; {with_u(machine, *undecided)} more may be either's"
    says = {
        "plate": f"It is the plate's error first: {sizes}, the plate's being the larger with a probability of "
        f"{sure}{either}{', which does not change this, whosever it is' if either else ''}.",
        "gantry": f"It is the gantry's error first: {sizes}, the gantry's being the larger with a probability of "
        f"{sure}{either}{', which does not change this, whosever it is' if either else ''}.",
        "both": f"Plate and gantry share the error: {sizes}, too alike to call one the larger{either}.",
        "neither": f"Neither plate nor gantry has form beyond the scatter of the readings: {sizes}, all of which the "
        "readings' own noise can make.",
    }
    if name != "undecided" or undecided is None:
        return says[name]
    return (
        f"Undecided: {with_u(machine, *undecided)} of the gap may be the plate's or the gantry's, and these surveys "
        f"cannot tell whose; of the rest there is {sizes}."
    )


def undecided_says(machine: Machine, placements: Sequence[Placement], shapes: Sequence[Shape], dimension: int) -> str:
    """Name the undecidable part in plain terms."""
    if dimension == 0:
        return "Every shape at these stations is decided."
    how = _same_after(placements)
    named = [
        f"the {MEANS[one.name]}"
        + ("" if one.size is None or one.u is None else f", {with_u(machine, one.size, one.u)}")
        for one in shapes
        if one.name
    ]
    rest = dimension - len(named)
    finer = f"{rest} {'finer ' if named else ''}shape{'' if rest == 1 else 's'} at the stations"
    listed = [*named, *([finer] if rest else [])]
    return f"These surveys cannot tell whose it is, plate's or gantry's, of shapes that {how}: {'; '.join(listed)}."


def _same_after(placements: Sequence[Placement]) -> str:
    """Say what the undecidable shapes have in common: they look the same in all surveys, up to a plane."""
    first = placements[0]
    turns = [round((one.turned - first.turned) % 360.0, 6) for one in placements[1:]]
    shifts = any(one.shifted != first.shifted for one in placements[1:])
    turned = [turn for turn in turns if turn]
    if not turned:
        return "are the same after the shift, or change by no more than a tilt"
    exact = all(turn == int(turn) for turn in turned)
    angle = reduce(gcd, [int(turn) for turn in turned], 360) if exact else 0
    by = f"a turn by {angle}°" if angle else "every turn made"
    return f"are the same after {by}{' and after the shift' if shifts else ''}, or change by no more than a tilt"


def further_says(best: Candidate | None, dimension: int, beyond: int, bowl: bool) -> str:
    """Say which further survey is the cheapest that tells something, why, and what none will; ``bowl``: round bow."""
    said = []
    if best is not None:
        why = (
            "a turn is cheaper than a shift, for the plate lies on the same places and every station can be read again"
            if best.effort == 1.0
            else "no quarter turn tells as much for its effort, though a shift needs room and loses a row of stations"
        )
        told = "the undecided shape" if dimension == 1 else f"{best.removes} of the {dimension} undecided shapes"
        said.append(f"Survey again with the plate {how_laid(best.placement)}: that tells {told} ({why}).")
    if beyond:
        what = "What is left" if dimension == 1 else "The rest" if beyond < dimension else "What is undecided"
        cup = ", as a shallow bowl slides and turns in its own cup" if bowl else ""
        said.append(
            f"{what} ({beyond} shape{'' if beyond == 1 else 's'}) no turn by quarters and no shift by a station would "
            f"tell while the plate is levelled anew each time{cup}. For that, lay a straight edge of known form on two "
            "blocks along a row of stations and read it as well as the plate."
        )
    return " ".join(said) or "Nothing is left that a further survey would have to tell."


def better_says(
    machine: Machine,
    now: tuple[float, float],
    ends: Sequence[tuple[float, float]],
    helps: str,
    place: str,
    rails: float | None,
) -> str:
    """Say what a perfect plate would leave and whether that helps."""
    (least, u_least), (most, u_most) = ends
    left = with_u(machine, least, u_least)
    if most > least + K * (u_least + u_most):
        left = f"between {left} and {with_u(machine, most, u_most)}, depending on whose the undecided part is,"
    against = {
        "within": f"within the limit of {length(machine, machine.total_limit)}",
        "outside": f"outside the limit of {length(machine, machine.total_limit)}",
        "undecided": f"too close to the limit of {length(machine, machine.total_limit)} to decide",
    }[place]
    opening = {
        "yes": "A better plate would help but not be enough:" if place == "outside" else "A better plate would help:",
        "no": "A better plate would not help:",
        "undecided": "Whether a better plate would help is open:",
    }[helps]
    says = (
        f"{opening} levelled, a perfect one would leave {left} of the gantry's own form, {against}; this plate as "
        f"first laid leaves {with_u(machine, *now)}."
    )
    if rails is not None:
        what = "the rail seats" if machine.rails is not None else "the gantry's adjusters"
        says += f" Of the gantry's form the best moves of {what} would leave {length(machine, rails)}."
    return says


def laid_better_says(machine: Machine, turned: float, shifted: tuple[float, float], total: float, now: float) -> str:
    """Say that the plate at hand does better laid in another of the ways surveyed."""
    how = how_laid(Placement(turned, shifted, (0.0, 0.0)))
    return (
        f" The plate at hand does better {how}: levelled, it leaves {length(machine, total)} there, against "
        f"{length(machine, now)} in the first survey."
    )


def doubts(
    machine: Machine, surveys: Sequence[PlacedSurvey], laid: MatchedSurveys, contradicted: bool, bent: Sequence[str]
) -> list[str]:
    """Return what puts the answer in doubt; the adjusters of the ``bent`` solvers are not linear."""
    found = []
    if bent:
        found.append(
            f"The effect of the adjusters of {', '.join(f'`{name}`' for name in bent)} is not proportional to travel: "
            "what they would leave of the gantry's form is by their slope where the machine's description says that "
            "they stand."
        )
    if contradicted:
        found.append(
            "The surveys contradict each other by more than the scatter of the readings explains: the plate bent "
            "differently when it was laid again, a turn or shift is not as stated, or a reading slipped. Every u is "
            "widened accordingly; repeat the first survey and see whether it comes back."
        )
    for later, survey in enumerate(surveys):
        for first in range(later):
            same = [r.value for r in survey.readings] == [r.value for r in surveys[first].readings]
            if same and len({str(r.value) for r in survey.readings}) > 1:
                found.append(
                    f"Surveys {first + 1} and {later + 1} have the same values throughout though the plate lay "
                    "otherwise: a copy, or a turn that was not made?"
                )
    warm = [survey.bed_temperature for survey in surveys if survey.bed_temperature is not None]
    if warm and max(warm) - min(warm) > WARM:
        found.append(
            f"The bed was between {min(warm):g} and {max(warm):g} °C: a plate changes its form with heat. Survey at "
            "one temperature."
        )
    if laid.left_out:
        found.append(
            f"{laid.left_out} station{'' if laid.left_out == 1 else 's'} read in one survey alone, over plate points "
            "read in no other, tell nothing here and are left out."
        )
    return found


def cautions(surveys: Sequence[PlacedSurvey]) -> list[str]:
    """Return the cautions for person and machine, and the errors that could go unnoticed."""
    warm = max((survey.bed_temperature for survey in surveys if survey.bed_temperature is not None), default=0.0)
    hot = (f"The bed was read at {warm:g} °C: let it cool before anyone touches or lifts the plate.",)
    return [*(hot if warm >= HOT else ()), *GENERAL_CAUTIONS, *CAUTIONS]


ONE_SURVEY_ONLY = (
    "One survey cannot tell plate from gantry: add a second one with the plate turned, by 90° if its "
    "stations allow, or shifted."
)

NEVER_TURNED = (
    "The plate lies as in the first survey, and so in all of them: turn it between the surveys, by 90° if "
    "its stations allow, or shift it, and say so in `turned` or `shifted`."
)

SHIFT_BY_STATIONS = "Shift it by whole distances between stations, and not so far that too few are left."

READ_THE_SAME = "Read the same stations in every survey."


def too_many_points(positions: int, points: int, most: int) -> str:
    return (
        f"The surveys read {positions} positions of the machine and {points} points of the plate; the two together "
        f"may be {most} at the most. Leave out stations, in every survey the same ones."
    )


def too_many_surveys(count: int, most_surveys: int) -> str:
    return f"{count} surveys are more than the {most_surveys} that can be joined."


def too_many_readings_in_all(single: int, most_readings: int) -> str:
    return (
        f"{single} readings in all are more than the {most_readings} that are solved together; leave out "
        "stations, in every survey the same ones, or send the means of repeats."
    )


def all_off(how: str) -> str:
    return f"Every reading lies beside {how}; correct it, the stations or the units."


def reading_off(x: float, y: float, how: str) -> str:
    return (
        f"x = {x:g}, y = {y:g} lies beside {how}; correct the station, the turn or shift, or the bed's extent, or "
        "leave the reading out."
    )


def copied_survey(first: int) -> str:
    return (
        f"These readings and this placement are those of survey {first}, to the last digit: a copy proves "
        "nothing. Leave it out, or send what was read the second time."
    )


def too_near(x: float, y: float, ox: float, oy: float) -> str:
    return (
        f"({x:g}, {y:g}) cannot be told from ({ox:g}, {oy:g}): positions as near as this count as one when "
        "surveys are matched. Give repeats the very same coordinates, and keep stations apart."
    )


def turn_onto_stations(angles: str) -> str:
    return f"Turn it by an angle that lays stations on stations{angles}."


def turns_that_fit(angles: Sequence[str]) -> str:
    return f" ({', '.join(angles)} would, for the stations of the first survey)"


def too_few_in_common(placement: str, tied: int, least_tied: int, remedy: str) -> str:
    return (
        f"With the plate {placement}, {tied} of these readings lie both at a station and over a point of the plate "
        f"that other surveys read too; {least_tied} are needed at the least. {remedy}"
    )
