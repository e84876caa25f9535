"""What is wrong with a survey, or not seen by it, in words."""

from __future__ import annotations

from collections.abc import Sequence

from ..results.findings import Unchecked

INTERPOLATED = (
    "Interpolated: tilt, twist, bow and the adjusters' own forms, and a remainder whose size and length the readings "
    "tell. The interval holds the total of at least 95 of 100 beds whose form is that, smooth, a bowl, a sag, waves "
    "longer than two distances between stations, or a seam. Of a dent, a crumb or waves finer than that nothing is "
    "claimed: the stations do not show them."
)

READINGS_UNCHECKED = (
    "There are too few stations for the readings to check each other: a wrong sign or a misread revolution "
    "would go unnoticed, so read every station twice."
)

SETUPS_HANG_LOOSELY = " It comes from how the set-ups hang together: read more stations in two of them."

IF_THEY_ARE_SLIPS = (
    "That is what follows if they prove to be slips: read them again first. Where one comes out the same, send both "
    "values; it is then taken for the bed's own form."
)

STATIONS_FOR_TERM = {
    "tilt-x": "stations at different x",
    "tilt-y": "stations at different y",
    "twist": "the four corners of the bed",
    "bow-x": "three or more stations along x",
    "bow-y": "three or more stations along y",
}
"""What a survey must have to determine a term; the offset is not among them, for each survey has its own zero."""

SIGN_TURNED = "sign turned"
TEN_TIMES_TOO_LARGE = "decimal place: ten times too large"
TEN_TIMES_TOO_SMALL = "decimal place: ten times too small"
UNKNOWN_SLIP = "unknown: reading or form, read this station again"

TOO_LITTLE_LEFT = "Without the suspects too little is left to answer from: read them again."

TURN_THE_PLATE = "Whether plate or frame is out of shape, a second survey with the plate turned by 90° would tell."

ALL_WITHIN_REACH = "All of it is within the adjusters' reach: what would be left the readings cannot tell from nothing."

NOT_TOLD_YET = (
    "What the adjusters can take out, and what none of them reaches, cannot be told before the stations named are read."
)


def blind_to_term(term: str) -> str:
    return f"These stations cannot tell {term} from tilt and the terms before it; add {STATIONS_FOR_TERM[term]}."


def nothing_beyond_blind_stations(names: str) -> str:
    return f"These stations cannot tell {names}, so nothing is said of the bed between and beyond them."


def stations_stand_for_the_bed(most_stations: int) -> str:
    return f"With more than {most_stations} stations, the total over them stands for that over the bed."


def too_far(spread: float) -> str:
    """Say that the bed lies too far beyond the stations; ``spread`` is in a reading's standard uncertainties."""
    return (
        "The bed reaches far beyond the area read: continued to its edges, tilt, twist and bows are "
        f"{spread:.2g} times less certain than one reading. Read farther out to learn of the whole bed."
    )


PATCH_UNREAD = (
    "The bed is in patches, and nothing is told of one from another: read at least three stations on each, not in one "
    "line, to learn of the whole bed."
)


def too_few_for_smoothness(stations: int, least: int) -> str:
    return (
        f"{stations} stations are too few to tell how smooth the bed is between them: {least} at least are needed "
        "to say anything of the whole bed."
    )


def hardly_checked(found: Sequence[Unchecked]) -> str:
    """Name up to six stations where a slip goes unnoticed."""
    which = "those" if len(found) > 1 else "that"
    named = ", ".join(f"({one.x:g}, {one.y:g})" for one in found[:6])
    more = f" and {len(found) - 6} more" if len(found) > 6 else ""
    return (
        f"The other readings hardly check {which} at {named}{more}: a slip however large could go unnoticed there, so "
        "read them twice or add stations nearby."
    )


def blind_to_adjuster(adjuster: str) -> str:
    return (
        f"These stations cannot tell what `{adjuster}` does from what easier adjusters do; read the corners of "
        "the bed as well."
    )


def badly_seen(what: str, now: float, unit: str, good: float, digits: int) -> str:
    return (
        f"These stations see {what} badly: over the bed its standard uncertainty is {now:.{digits}f} {unit}; as "
        f"many stations well placed would leave {good:.{digits}f} {unit}."
    )


def further_stations_help(says: str, named: str, after: float, unit: str, digits: int) -> str:
    return f"{says} Reading also at {named} brings it to {after:.{digits}f} {unit}."


def further_stations_help_a_little(says: str, named: str, after: float, unit: str, digits: int) -> str:
    return (
        f"{says} Reading also at {named} brings it to {after:.{digits}f} {unit}; beyond that, only repeats or a "
        "finer indicator help."
    )


def whole_row_off(row: str, off: str, unit: str) -> str:
    return f"the whole {row} is off by {off} {unit}"


def read_row_again(row: str, station: str, off: str, unit: str) -> str:
    return (
        f"Read the {row} again, the station at {station} among them: all its readings lie {off} {unit} from what "
        "the rest of the survey expects, as if the indicator's zero had moved."
    )


def row_or_form(row: str, station: str, off: str, unit: str) -> str:
    return (
        f"Read the {row} again, the station at {station} among them: all its readings lie {off} {unit} from what the "
        "rest of the survey expects. The indicator's zero may have moved, or the bed may have that form."
    )


def revolution_high(revolution: float, unit: str) -> str:
    return f"one revolution ({revolution:g} {unit}) too high"


def revolution_low(revolution: float, unit: str) -> str:
    return f"one revolution ({revolution:g} {unit}) too low"


def swapped(station: str) -> str:
    return f"swapped with the reading at {station}"


def read_station_again(station: str, reading: str, unit: str, expected: str, twice_u: float, digits: int) -> str:
    return (
        f"Read the station at {station} again: it reads {reading} {unit}, but the rest of the survey expects "
        f"{expected} ± {twice_u:.{digits}f} {unit}."
    )


def reading_or_form(says: str) -> str:
    return f"{says} It may be a misreading or the bed's own form."


def may_have_been(says: str, would: str) -> str:
    return f"{says} It may have been {would}."


def beyond_adjusters(left: str) -> str:
    return f" The remaining {left} no adjuster reaches."


RAILS_MOVED = "the rails are moved"
GANTRY_MOVED = "what carries the tool is moved"


def looks_bent(levelled: str, by_rails: str, moved: str, rest: str, turn: str) -> str:
    return (
        f"Levelled on its supports alone the bed would still read {levelled} and look bent; {by_rails} of that goes "
        f"when {moved}.{rest} {turn}"
    )


def partly_within_reach(reached: str, total: str, left: str, turn: str) -> str:
    return (
        f"{reached} of {total} is within the adjusters' reach; the remaining {left} is form or twist that they "
        f"cannot take out. {turn}"
    )


def nothing_to_gain(left: str, turn: str) -> str:
    return f"Moving these adjusters would gain no more than the readings can tell: {left} is form. {turn}"


def drift_in_no_budget(drift: float, unit: str, digits: int) -> str:
    return (
        f"From the first reading to the last they drift by {drift:+.{digits}f} {unit}, which no ± here counts; "
        "fewer than one sound survey in a hundred looks so."
    )


def repeats_scatter(scatter: float, stated: float, unit: str, digits: int) -> str:
    """Say that repeats scatter more than the indicator's repeatability and rounding explain."""
    return (
        f"Repeats scatter by {scatter:.{digits + 1}f} {unit} (standard deviation), where the stated repeatability and "
        f"rounding explain {stated:.{digits + 1}f}: find the cause, for single readings may be further off than their "
        "± says. Sound repeats look so once in a thousand."
    )
