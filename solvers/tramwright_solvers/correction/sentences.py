"""What an answer says of its choice, its steps and its dangers, and what is wrong with passes or size of a request."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ..model.units import DECIMALS, WRITTEN, K
from ..reduction.sentences import station_at
from ..results.moves import Binding

UNSETTLED = (
    " An adjuster that moves the bed the less, or the more, the further it goes had not settled: a better plan may "
    "exist. What these moves leave is exact all the same; survey again after them."
)

NOTHING_PERMITTED = (
    "No adjusters that may be moved together satisfy the conditions, and it cannot stay as it is: let more of them "
    "move (`hold`, `most_moves`), or change what the conditions come from."
)


def cannot_stay(because: Sequence[str]) -> str:
    return f" It cannot stay as it is: {' '.join(because)}"


def taken_off(name: str, size: float, unit: Literal["mm", "inch"]) -> str:
    return f"The known {name}, {size:.{DECIMALS[unit]}f} {unit} over these stations, is taken off the readings."


def supports_unused(solvers: Sequence[str]) -> str:
    return (
        f"The supports described are not moved: only {', '.join(solvers)} {'suits' if len(solvers) == 1 else 'suit'} "
        "this machine by itself. If another solver moves them, name it in `solve.with`."
    )


def extras_unused(name: str) -> str:
    return (
        f"What is described under `extras.{name}` is not used: that solver does not say that it suits this machine. "
        "Name it in `solve.with`."
    )


def gives_way(because: str, by: float) -> str:
    return f"{because.rstrip('.')}: would have to give way by {by:.4g}"


def conditions_clash(told: Sequence[str]) -> str:
    return (
        f"No travels within the bounds satisfy all conditions. The least that would help: {'; '.join(told)}. Let more "
        "adjusters move, widen their `travel`, or change what the conditions come from."
    )


WITHIN = "The bed is proven within its limit, and no aim was given."


TRAVELS_OF_A_ZONE = (
    "How well each travel is known is not stated: under minimum-zone it hangs on the few outermost readings. What the "
    "moves leave is known as stated. Least squares say how well each travel is known."
)


def named(places: Sequence[tuple[float, float]]) -> str:
    """Return stations in words."""
    return (
        " and ".join(station_at(x, y) for x, y in places)
        if len(places) < 3
        else "; ".join(station_at(x, y) for x, y in places)
    )


def read_suspects_first(places: Sequence[tuple[float, float]]) -> str:
    which, it = ("these stations", "they read") if len(places) > 1 else ("this station", "it reads")
    return (
        f"Read {named(places)} again before anything is moved: the rest of the survey does not fit what {it}, and "
        f"verdict or moves hang on {which}. Where it reads the same, send both values; where not, only the new one."
    )


def one_reading(x: float, y: float, left: float, without: float, unit: Literal["mm", "inch"]) -> str:
    digits = DECIMALS[unit]
    return (
        f"Read {station_at(x, y)} again before anything is moved: it alone makes most of what would be left "
        f"({left:.{digits}f} {unit}, {without:.{digits}f} without it). Where it reads the same, send both values; "
        "where not, only the new one."
    )


def gain_of_one(x: float, y: float, before: float, after: float, unit: Literal["mm", "inch"]) -> str:
    digits = DECIMALS[unit]
    return (
        f"Read {station_at(x, y)} again before anything is moved: the moves hang on it alone. At the other stations "
        f"they gain nothing sure (total {before:.{digits}f} before, {after:.{digits}f} {unit} after). Where it reads "
        "the same, send both values; where not, only the new one."
    )


def corners_unread(
    over_bed: float, there: float, gain: float, places: Sequence[tuple[float, float]], unit: Literal["mm", "inch"]
) -> str:
    digits = DECIMALS[unit]
    return (
        f"Read also {named(places)}, and send all readings, before anything is moved: the moves would gain "
        f"{gain:.{digits}f} {unit} at the stations, but they change the whole bed by {over_bed:.{digits}f} and the "
        f"stations by {there:.{digits}f} only, and how it lies beyond them is not known."
    )


def closing_error(setup: str, error: float, at: str, unit: Literal["mm", "inch"]) -> str:
    which = f"Set-up {setup}" if setup else "The survey"
    return (
        f"{which} closed by {error:+.{DECIMALS[unit]}f} {unit} at {at}, more than the indicator explains. Nothing is "
        "decided and nothing is to be moved yet. "
    )


def jumped(size: float, before: str, after: str, jump: float, drift: float, unit: Literal["mm", "inch"]) -> str:
    """Say that one jump explains a closing error, and what both readings of it make of the total."""
    digits = DECIMALS[unit]
    return (
        f"A jump of {size:+.{digits}f} {unit} between the readings at {before} and at {after} explains it (total "
        f"{jump:.{digits}f}), a steady drift (total {drift:.{digits}f}) does not: the dial was bumped, or its stand. "
        f"Set it firm and read again from {after} on, to the closing reading."
    )


def misread_at(size: float, at: str, slip: float, drift: float, unit: Literal["mm", "inch"]) -> str:
    """Say that one reading explains a closing error, and what both readings of it make of the total."""
    digits = DECIMALS[unit]
    return (
        f"One reading at {at} that is off by {size:+.{digits}f} {unit} explains it (total {slip:.{digits}f}), a steady "
        f"drift (total {drift:.{digits}f}) does not. Read {at} again; if the dial was bumped before it, all after it."
    )


def drift_or_jump(jump: float, drift: float, after: str, unit: Literal["mm", "inch"]) -> str:
    digits = DECIMALS[unit]
    return (
        f"These readings do not tell whether it is a steady drift (total {drift:.{digits}f} {unit}) or one jump or "
        f"slip (total {jump:.{digits}f} {unit}). Read again from {after} on, to the closing reading."
    )


def repeats_differ(at: str, low: str, high: str, unit: str) -> str:
    return (
        f"Repeats at {at} read from {low} to {high} {unit}; the indicator and its other repeats explain far less. Read "
        "it again, and send only readings that agree."
    )


def read_more_first(unseen: Sequence[str], places: Sequence[tuple[float, float]]) -> str:
    also = f": read also {named(places)}" if places else ""
    return f"These stations do not show {', '.join(unseen)}, so nothing is decided yet{also}, and send all readings."


def moves_bring(count: int, found: float, after: float, expanded: float, unit: Literal["mm", "inch"]) -> str:
    length, moves = WRITTEN[unit], f"{count} moves" if count > 1 else "1 move"
    return f"{moves} should bring the total from {length % found} to {length % after} ± {length % expanded} {unit}."


def within_already(
    adjusters: Sequence[str], found: float, after: float, expanded: float, unit: Literal["mm", "inch"]
) -> str:
    """Say that nothing need be done, and what moving these adjusters, if any, could bring."""
    digits = DECIMALS[unit]
    if not adjusters:
        return "Nothing to do: the bed is proven within its limit."
    return (
        f"Nothing to do: the bed is proven within its limit. Moving {', '.join(adjusters)} could bring the total from "
        f"{found:.{digits}f} to {after:.{digits}f} ± {expanded:.{digits}f} {unit}; ask for these moves by `aim_for`."
    )


def drifted(drift: float, first: str, unit: Literal["mm", "inch"]) -> str:
    """Say that the readings drifted, and how to take that off."""
    return (
        f"The readings drift by {drift:+.{DECIMALS[unit]}f} {unit} from the first to the last, in the order given. Let "
        f"the indicator and the bed settle, read all of it again, and at last the station at {first} once more, so "
        "that the drift can be taken off."
    )


def no_sure_gain(standing: Literal["within", "outside", "undecided"]) -> str:
    left = {
        "within": "the bed is within its limit",
        "outside": "the bed is outside its limit, and these adjusters are not sure to change that",
        "undecided": "the bed is too close to its limit to decide",
    }[standing]
    return f"Nothing to do: no move that can be set and seen is sure to leave less than there is; {left}."


HIGH_READS_PLUS = "a high bed reads plus"
RIGHT_HAND = "right-hand threads"
FROM_BELOW = "screws turned from below"
LEAD_SCREWS = "lead screws in bearings"


def assumed_limit(limit: float, unit: str) -> str:
    return f"limit {limit:.3g} {unit}"


def assumed_division(division: float, unit: str) -> str:
    return f"dial division {division:.2g} {unit}"


def assumed_error_limit(error_limit: float, unit: str) -> str:
    return f"dial right to ±{error_limit:.2g} {unit}"


def assumed_aim(aim: float, unit: str) -> str:
    return f"aim {aim:.2g} {unit} (limit / 3)"


NOT_READ_AGAIN = (
    "None of these stations was read again after the moves, so nothing can be learnt from them; read the same stations "
    "before and after, with the same x and y."
)

FEWER_READINGS = "send fewer readings, or the means of repeats"
HOLD_ADJUSTERS = "name adjusters that stand still under `hold`"
LEAST_SQUARES = "ask for `least-squares`"
FEWER_PASSES = "leave out the oldest passes"
LESS_TIME = "lower `solve.time_limit`"


def move_nothing(why: str) -> str:
    return f"Move nothing yet. {why}"


def least_effort(aim: float, unit: Literal["mm", "inch"], *, searched: bool, shown: bool) -> str:
    """Say that the choice reaches the aim; where plans were ``searched``, it is the best of those found.

    That nothing takes less effort is only said where it is ``shown``.
    """
    of = "Of the best plans for each number of moves, the least effort" if searched else "The least effort"
    of = of if shown else "Of the plans weighed, the least effort"
    return f"{of} whose total with its uncertainty (k = {K:.2f}) reaches {aim:.{DECIMALS[unit]}f} {unit}."


def best_attainable(criterion: str, most_moves: int | None, *, shown: bool) -> str:
    """Say what the choice makes smallest where the best is asked for."""
    what = "highest less lowest gap" if criterion == "minimum-zone" else "root mean square of the gap"
    who = "all adjusters together" if most_moves is None else f"at most {most_moves} adjusters"
    if not shown:
        return f"The smallest {what} of the plans weighed, by moves that can be set; others may need less effort."
    return f"The smallest {what} that {who} can attain by moves that can be set, with the least effort that attains it."


def nothing_gains(most_moves: int | None) -> str:
    """Say why nothing is moved though the aim is not reached."""
    who = "No set of moves" if most_moves is None else f"No set of at most {most_moves} moves"
    return f"{who} that can be set and seen at the dial is sure to leave less than was found."


def not_sure_to_reach(
    aim: float, known: float, unit: Literal["mm", "inch"], most_moves: int | None, *, shown: bool
) -> str:
    length, weighed = WRITTEN[unit], "" if shown else "of the plans weighed "
    who = "No set of moves" if most_moves is None else f"No set of at most {most_moves} moves"
    return (
        f"{who} is sure to reach {length % aim} {unit}. This is the least effort {weighed}that comes within "
        f"{length % known} {unit} of the best total, which is as well as the total is known (u)."
    )


def relaxation(more: Binding, total: float, unit: Literal["mm", "inch"]) -> str:
    """Say how much ``more`` travel would help and what the total is without it."""
    digits, way = DECIMALS[unit], "upward" if more.way == "up" else "downward"
    if more.condition is not None:
        return (
            f" A condition stands in the way: {more.condition} If it gave way by {more.more:.4g}, "
            f"{more.total:.{digits}f} {unit} would be left; otherwise accept {total:.{digits}f} {unit}."
        )
    return (
        f" `{more.adjuster}` is at the end of its travel: {more.more:.{digits}f} {unit} more {way} travel would "
        f"leave {more.total:.{digits}f} {unit}; otherwise accept {total:.{digits}f} {unit}."
    )


def did_not_obey(adjusters: Sequence[str]) -> str:
    return f"{', '.join(adjusters)} did not do as asked in the last pass: find out why before moving it again."


def too_far(adjusters: Sequence[str], travel: float, far: float, unit: Literal["mm", "inch"]) -> str:
    return (
        f"{', '.join(adjusters)} would have to move by up to {travel:.{DECIMALS[unit]}f} {unit}: check units, "
        f"positions and readings first. If it really is more than {far:.3g} {unit} out, set it by rule or level and "
        "survey again."
    )


def beyond_the_dial(total: float, unit: Literal["mm", "inch"]) -> str:
    return (
        f"A total of {total:.{DECIMALS[unit]}f} {unit} is more than a dial indicator shows: check the units of the "
        "readings, and whether a revolution or a digit was misread."
    )


READ_SUSPECTS = "Read the suspects again first: a misreading is likelier than too coarse an indicator."


def bed_burns(temperature: float) -> str:
    return f"The bed was read at {temperature:g} °C: it burns. Wear gloves or use long keys."


def not_shown(unseen: Sequence[str]) -> str:
    return f"The stations read cannot show {', '.join(unseen)}; the total over the whole bed may be larger than stated."


def too_large(what: str, seconds: float, most_seconds: float, mega: float, most_mega: float, remedy: str) -> str:
    """Say what a request would take of the seconds and megabytes that one may take."""
    return (
        f"{what} would take about {seconds:.2g} of {most_seconds:.2g} s and {mega:.0f} of {most_mega:.0f} MB that one "
        f"request may take; {remedy}."
    )


def size(readings: int, adjusters: int) -> str:
    return f"{readings} readings with {adjusters} adjusters"


def too_many_in_passes(what: str, most: int) -> str:
    return f"Give at most {most} {what} of earlier passes; {FEWER_PASSES}."


def no_such_move(adjuster: str, adjusters: Sequence[str]) -> str:
    return (
        f"None of the solvers asked for moves `{adjuster}`; they move {', '.join(adjusters)}. Correct the name, or ask "
        "for its solver too: what else was moved is in the readings."
    )


def moved_before(adjuster: str, move: int) -> str:
    return (
        f"`{adjuster}` is already given as move {move}; give each adjuster once in a pass, with the sum of its travels."
    )
