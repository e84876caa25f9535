"""What is wrong with a survey or a machine's description, in words."""

from __future__ import annotations

TIME_FORM = "Give seconds as a number or an RFC 3339 date and time."

DATE_FORM = "Give an RFC 3339 date and time with its offset, as 2026-05-04T09:30:00Z."

TIMES_MIXED = "Times of one survey are all seconds or all RFC 3339 dates and times; here the two are mixed."

ALL_HELD = "Every adjuster is held; leave at least one free to move."


def too_many_setups(setups: object, most_setups: object) -> str:
    return (
        f"{setups} set-ups are more than the {most_setups} that can be joined; give readings taken with one zero "
        "of the indicator the same `setup`."
    )


def setups_apart(
    ending: object,
    names: object,
    ending_2: object,
    value: object,
    ending_3: object,
    x: float,
    y: float,
    ending_4: object,
) -> str:
    return (
        f"Set-up{ending} {names} share{ending_2} no station with set-up {value}{ending_3}: 1 shared station is "
        f"needed, a second one checks it. The nearest is ({x:g}, {y:g}); read it again in {ending_4}."
    )


def time_missing(value: object) -> str:
    return (
        f"Set-up {value} has times for some readings and none for this one; give a time for each reading of the "
        "set-up, or for none."
    )


def station_at(x: float, y: float) -> str:
    """Return how a station is named."""
    return f"x {x:g}, y {y:g}"


def off_the_bed(axis: object, at: float, low: float, high: float) -> str:
    return (
        f"{axis} = {at:g} lies off the bed ({low:g} to {high:g}); correct the station, the bed's extent or the units."
    )


def too_few_stations(count: object, ending: object) -> str:
    return (
        f"Readings at {count} station{ending} cannot show how the bed lies; read at three stations at the least, "
        "spread over the bed."
    )


def bed_runs_backwards(axis: object, low: float, high: float) -> str:
    return f"The bed's {axis} runs from {low:g} to {high:g}; give [low, high]."


def id_used_twice(name: object, value: object) -> str:
    return f"The id `{name}` is already used at {value}; give each its own."


def moved_by_two_solvers(value: object, value_2: object, name: object) -> str:
    return f"`{value}` and `{value_2}` both move `{name}`; ask for one of them."


def no_such_adjuster(value: object, held: object, names: object) -> str:
    return f"`{value}` has no adjuster `{held}`; it has {names}."
