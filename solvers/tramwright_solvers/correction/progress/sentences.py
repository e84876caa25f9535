"""What is said of steps carried out: what is wrong with them as sent, what they did, and how to go on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ...model.contract import Adjuster
from ...model.units import DECIMALS, signed
from ...reduction.sentences import station_at
from ..steps.sentences import named_adjuster

Unit = Literal["mm", "inch"]

TRAVEL_OF_NOTHING = "A step moves something; leave it out, or give the travel that it told."


def no_such_adjuster(name: str, ids: Sequence[str]) -> str:
    return f"`{name}` is no adjuster of this machine and these solvers; those are {', '.join(ids)}."


def adjuster_held(name: str) -> str:
    return f"`{name}` is held, so no step moves it. Leave it out of `hold`, or leave the step out."


def travel_needed(name: str) -> str:
    return f"Give the travel that the step told: `{name}` is not moved until it meets the bed."


def no_station(x: float, y: float, near_x: float, near_y: float) -> str:
    return (
        f"The survey has no station at x {x:g}, y {y:g}, so what the dial should read there is not known; the nearest "
        f"is x {near_x:g}, y {near_y:g}. Give `park` as the step told it."
    )


def same_step(before: int) -> str:
    return (
        f"This is step {before} once more, with the same reading. Leave one of them out; where it was made twice and "
        "the dial stayed, give it once: the adjuster does not move."
    )


def no_sheets(name: str) -> str:
    return f"No sheets at hand for `{name}` make this travel from where it stands. Give what was put in and taken out."


def no_whole_steps(name: str, step: float) -> str:
    return f"`{name}` is moved in whole steps of {step:g}, and this is no number of them."


def beyond_bounds(name: str, room: float, unit: Unit) -> str:
    return (
        f"`{name}` has {room:.{DECIMALS[unit]}f} {unit} left that way before the end of its travel. Correct this "
        "travel, or what the machine says of its ends."
    )


def not_read(adjuster: Adjuster) -> str:
    return f"Not read, so {named_adjuster(adjuster)} counts as moved by what it usually does."


def left_the_bed(adjuster: Adjuster) -> str:
    return f"{_begin(adjuster)} left the bed where it was, as it should."


def moved_as_asked(adjuster: Adjuster) -> str:
    return f"{_begin(adjuster)} moved as asked, within what the dial can tell."


def moved_by(adjuster: Adjuster, moved: float, asked: float, unit: Unit) -> str:
    digits = DECIMALS[unit]
    return f"{_begin(adjuster)} moved {moved:+.{digits}f} {unit} for {asked:+.{digits}f} ({moved / asked:.0%})."


def small_to_tell(adjuster: Adjuster) -> str:
    return f"{_begin(adjuster)} was moved by too little for the dial to tell how far."


def play_taken_up(adjuster: Adjuster, lost: float, unit: Unit) -> str:
    return (
        f"{_begin(adjuster)} lost {lost:.{DECIMALS[unit]}f} {unit} as it was turned back: play, which is taken up "
        "now. Go on the same way."
    )


def hardly_moved(adjuster: Adjuster, moved: float, asked: float, at: str, unit: Unit) -> str:
    digits = DECIMALS[unit]
    return (
        f"Stop: {named_adjuster(adjuster)} does not do what it is told: by the dial at {at} it moved "
        f"{signed(moved, digits)} {unit} for {asked:+.{digits}f}. Look whether {stuck(adjuster)}. Once it is free, do "
        "the step again, and send what the dial reads then in place of this reading; if it moved otherwise, survey "
        "again."
    )


def stuck(adjuster: Adjuster) -> str:
    """Return what makes an adjuster stand still."""
    if adjuster.screw is not None:
        return (
            "its lock nut is still tight, it turns with its nut, the play of its thread was not taken up, or another "
            "screw was turned"
        )
    if adjuster.stock is not None:
        return "the sheets lie under the bolt, are those that were told, and the seat is tight; or another was shimmed"
    return "its bolts were slack enough, it slipped back as it was tightened, or another one was moved"


def wrong_way(adjuster: Adjuster, moved: float, asked: float, at: str, unit: Unit) -> str:
    digits = DECIMALS[unit]
    return (
        f"Stop: {named_adjuster(adjuster)} went the wrong way: by the dial at {at} it moved {moved:+.{digits}f} "
        f"{unit} for {asked:+.{digits}f}. Read the dial and its sign again. If it reads the same, find out why before "
        f"anything else is moved: {misled(adjuster)}. Then move it back, and send the step once it is made as told."
    )


def misled(adjuster: Adjuster) -> str:
    """Return what makes an adjuster go the wrong way."""
    if adjuster.screw is not None:
        return "turned the other way, another screw turned, or hand, side or part that turns described wrongly"
    if adjuster.stock is not None:
        return "sheets taken out instead of put in, or another seat shimmed"
    return "moved the other way, or another one moved"


def slips(adjuster: Adjuster, moved: float, asked: float, unit: Unit) -> str:
    digits = DECIMALS[unit]
    return (
        f"Stop: {named_adjuster(adjuster)} does not do what it is told, twice in a row: {moved:+.{digits}f} {unit} for "
        f"{asked:+.{digits}f} the last time. Look whether it slips, gives way as it is tightened, or its lead is "
        "another. Mend that, then survey again."
    )


def misread(adjuster: Adjuster, read: float, expected: float, at: str, unit: Unit) -> str:
    digits = DECIMALS[unit]
    return (
        f"Stop and read the dial at {at} again: {signed(read, digits)} cannot be what {named_adjuster(adjuster)} did, "
        f"{signed(expected, digits)} was to be expected. Send what it reads in place of this reading. If it reads the "
        "same, something else has moved, or the dial: survey again."
    )


def bed_followed(adjuster: Adjuster, by: float, at: str, unit: Unit) -> str:
    return (
        f"Stop: the dial at {at} moved by {by:+.{DECIMALS[unit]}f} {unit} as {named_adjuster(adjuster)} was backed "
        "off, so the bed did not lie on the others. Let it settle on them and survey again."
    )


def lifted(adjuster: Adjuster, reads: float, at: str, unit: Unit) -> str:
    return (
        f"Turn back: {named_adjuster(adjuster)} has moved the bed. Take it back until the dial at {at} stands at "
        f"{signed(reads, DECIMALS[unit])} again."
    )


def taken_back(adjuster: Adjuster, reads: float, at: str, unit: Unit) -> str:
    """Return the step that takes a screw back that lifts the bed."""
    stood = signed(reads, DECIMALS[unit])
    return f"Take {named_adjuster(adjuster)} back until the dial at {at} just stands at {stood} again."


def turn_back(by: float, unit: Unit) -> str:
    way = "up" if by > 0.0 else "down"
    return f"Turn back: move it {abs(by):.{DECIMALS[unit]}f} {unit} {way}, as the first of the steps tells."


def further(by: float, unit: Unit) -> str:
    way = "up" if by > 0.0 else "down"
    return f"Go on with it: {abs(by):.{DECIMALS[unit]}f} {unit} more {way}."


BED_STANDS = "Bring up what stands clear of the bed, then survey again."

NOTHING_LEFT = "Nothing more is sure to gain: survey again."


def spared(names: Sequence[str]) -> str:
    return f"{' and '.join(names)} need not be moved any more."


def doubted(says: str) -> str:
    return f"Stop: the survey itself is in doubt, and nothing was to be moved on it. Survey again. {says}"


def survey_again(stations: int, x: float, y: float) -> str:
    return (
        f"Survey again: read all {stations} stations, beginning at {station_at(x, y)}, as a new survey; the steps "
        "so far no longer belong to it."
    )


def read_dial_again(at: str) -> str:
    return f"Read the dial at {at} again, and send what it reads in place of the last reading."


def rest_of_work(count: int, total: float, after: float, expanded: float, unit: Unit) -> str:
    digits = DECIMALS[unit]
    moves = "1 move" if count == 1 else f"{count} moves"
    return (
        f"{moves} should bring the total from {total:.{digits}f} {unit}, where it is now, "
        f"to {after:.{digits}f} ± {expanded:.{digits}f}."
    )


def _begin(adjuster: Adjuster) -> str:
    name = named_adjuster(adjuster)
    return name if name == adjuster.id else f"{name[0].upper()}{name[1:]}"
