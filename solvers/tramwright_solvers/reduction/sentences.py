"""What is wrong with a survey or a machine's description, in words."""

from __future__ import annotations

from collections.abc import Sequence

TIME_FORM = "Give seconds as a number or an RFC 3339 date and time."

DATE_FORM = "Give an RFC 3339 date and time with its offset, as 2026-05-04T09:30:00Z."

TIMES_MIXED = "Times of one survey are all seconds or all RFC 3339 dates and times; here the two are mixed."

PART_AND_BUILD_DIFFER = (
    "`turned_part` and `build` say different things; give one of them. The part that is turned travels with the bed "
    "only where the bed rides on it (`nut-under-bed`)."
)

ALL_HELD = "Every adjuster is held; leave at least one free to move."


def too_many_setups(setups: int, most_setups: int) -> str:
    return (
        f"{setups} set-ups are more than the {most_setups} that can be joined; give readings taken with one zero "
        "of the indicator the same `setup`."
    )


def setups_apart(apart: Sequence[str], first: str, x: float, y: float, *, alone: bool) -> str:
    """Say which set-ups hang apart from the first, which stands ``alone`` or has others joined to it."""
    one = len(apart) == 1
    return (
        f"Set-up{'' if one else 's'} {', '.join(apart)} share{'s' if one else ''} no station with set-up "
        f"{first}{'' if alone else ' or those joined to it'}: 1 shared station is needed, a second one checks it. The "
        f"nearest is ({x:g}, {y:g}); read it again in {'set-up ' + apart[0] if one else 'one of them'}."
    )


def time_missing(setup: str) -> str:
    return (
        f"Set-up {setup} has times for some readings and none for this one; give a time for each reading of the "
        "set-up, or for none."
    )


def station_at(x: float, y: float) -> str:
    """Return how a station is named."""
    return f"x {x:g}, y {y:g}"


def off_the_bed(axis: str, at: float, low: float, high: float) -> str:
    return (
        f"{axis} = {at:g} lies off the bed ({low:g} to {high:g}); correct the station, the bed's extent or the units."
    )


def too_few_stations(count: int) -> str:
    return (
        f"Readings at {count} station{'' if count == 1 else 's'} cannot show how the bed lies; read at three "
        "stations at the least, spread over the bed."
    )


def bed_runs_backwards(axis: str, low: float, high: float) -> str:
    return f"The bed's {axis} runs from {low:g} to {high:g}; give [low, high]."


def id_used_twice(name: str, pointer: str) -> str:
    return f"The id `{name}` is already used at {pointer}; give each its own."


def moved_by_two_solvers(solver: str, other: str, adjuster: str) -> str:
    return f"`{solver}` and `{other}` both move `{adjuster}`; ask for one of them."


def no_such_adjuster(solver: str, held: str, names: str) -> str:
    return f"`{solver}` has no adjuster `{held}`; it has {names}."
