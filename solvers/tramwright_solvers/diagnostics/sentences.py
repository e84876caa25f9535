"""What is wrong with a survey, or not seen by it, in words."""

from __future__ import annotations

INTERPOLATED = (
    "Interpolated: tilt, twist, bow and the adjusters' own forms, and a smooth remainder whose size and "
    "length the readings tell; 95 % of the plates that agree with the readings lie within the interval. A "
    "dent smaller than the distance between stations is not seen."
)

READINGS_UNCHECKED = (
    "There are too few stations for the readings to check each other: a wrong sign or a misread revolution "
    "would go unnoticed, so read every station twice."
)

SETUPS_HANG_LOOSELY = " It comes from how the set-ups hang together: read more stations in two of them."

COMPARISON_ONLY = (
    "For comparison only: nothing above leaves a reading out. Read the suspects again; if they come out the "
    "same, they are the bed's own form and the answer above holds."
)

TOO_LITTLE_LEFT = "Without the suspects too little is left to answer from: read them again."

TURN_THE_PLATE = "Whether plate or frame is out of shape, a second survey with the plate turned by 90° would tell."

ALL_WITHIN_REACH = "All of it is within the adjusters' reach: what would be left the readings cannot tell from nothing."


def blind_to_term(term: object, value: object) -> str:
    return f"These stations cannot tell {term} from tilt and the terms before it; add {value}."


def nothing_beyond_blind_stations(names: object) -> str:
    return f"These stations cannot tell {names}, so nothing is said of the bed between and beyond them."


def stations_stand_for_the_bed(most_stations: object) -> str:
    return f"With more than {most_stations} stations, the total over them stands for that over the bed."


def too_few_for_smoothness(stations: object, value: object) -> str:
    return (
        f"{stations} stations are too few to tell how smooth the bed is between them: {value} at least are needed "
        "to say anything of the whole bed."
    )


def hardly_checked(ending: object, named: object, more: object, size: object) -> str:
    return (
        f"The other readings hardly check {ending} at {named}{more}: a slip {size} could go unnoticed there, so "
        "read them twice or add stations nearby."
    )


def blind_to_adjuster(adjuster: object) -> str:
    return (
        f"These stations cannot tell what `{adjuster}` does from what easier adjusters do; read the corners of "
        "the bed as well."
    )


def badly_seen(what: object, now: float, unit: object, good: float, digits: int) -> str:
    return (
        f"These stations see {what} badly: over the bed its standard uncertainty is {now:.{digits}f} {unit}; as "
        f"many stations well placed would leave {good:.{digits}f} {unit}."
    )


def further_stations_help(says: object, named: object, after: float, unit: object, digits: int) -> str:
    return f"{says} Reading also at {named} brings it to {after:.{digits}f} {unit}."


def further_stations_help_a_little(says: object, named: object, after: float, unit: object, digits: int) -> str:
    return (
        f"{says} Reading also at {named} brings it to {after:.{digits}f} {unit}; beyond that, only repeats or a "
        "finer indicator help."
    )


def whole_row_off(name: object, off: object, unit: object) -> str:
    return f"the whole {name} is off by {off} {unit}"


def read_row_again(name: object, value: object, off: object, unit: object) -> str:
    return (
        f"Read the {name} again, the station at {value} among them: all its readings lie {off} {unit} from what "
        "the rest of the survey expects, as if the indicator's zero had moved."
    )


def revolution_high(revolution: float, unit: object) -> str:
    return f"one revolution ({revolution:g} {unit}) too high"


def revolution_low(revolution: float, unit: object) -> str:
    return f"one revolution ({revolution:g} {unit}) too low"


def swapped(value: object) -> str:
    return f"swapped with the reading at {value}"


def read_station_again(
    value: object, value_2: object, unit: object, value_3: object, value_4: float, digits: int
) -> str:
    return (
        f"Read the station at {value} again: it reads {value_2} {unit}, but the rest of the survey expects "
        f"{value_3} ± {value_4:.{digits}f} {unit}."
    )


def no_common_slip(says: object) -> str:
    return f"{says} No common slip explains it."


def may_have_been(says: object, would: object) -> str:
    return f"{says} It may have been {would}."


def beyond_adjusters(value: object) -> str:
    return f" The remaining {value} no adjuster reaches."


def looks_bent(value: object, value_2: object, rest: object, turn: object) -> str:
    return (
        f"Levelled on its supports alone the bed would still read {value} and look bent; {value_2} of that goes "
        f"when the rails are moved.{rest} {turn}"
    )


def partly_within_reach(value: object, value_2: object, value_3: object, turn: object) -> str:
    return (
        f"{value} of {value_2} is within the adjusters' reach; the remaining {value_3} is form or twist that they "
        f"cannot take out. {turn}"
    )


def nothing_to_gain(value: object, turn: object) -> str:
    return f"Moving these adjusters would gain no more than the readings can tell: {value} is form. {turn}"
