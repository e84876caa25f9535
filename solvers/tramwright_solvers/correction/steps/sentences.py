"""What a person is told to do, step by step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ...model.contract import Adjuster
from ...model.units import DECIMALS, WRITTEN, signed
from ...results.moves import Counted, MoveOf


def read_station(at: str, before: str | None, unit: str) -> str:
    """Return the step that reads a station, one that read ``before`` or a new one."""
    if before is None:
        return f"Read the station at {at} as well, with the same zero of the indicator."
    return f"Read the station at {at} again: it read {before} {unit}."


def instruction(
    unit: Literal["mm", "inch"],
    adjuster: Adjuster,
    move: MoveOf,
    at: str,
    before: float,
    after: float,
    eased: Sequence[str] = (),
) -> str:
    """Return the one sentence that a person at the machine follows; ``at`` is where the dial stands, ``eased`` the
    seats whose bolts are eased meanwhile."""
    digits = DECIMALS[unit]
    length = WRITTEN[unit]
    amount = how_far(unit, move)
    slacken, tighten = "Slacken", "and tighten it"
    if eased:
        names = " and ".join(eased)
        slacken, tighten = f"Ease the bolts of {names} a quarter turn, slacken", f"and tighten it, then {names}"
    if move.counted is not None:
        action, wrong = counted_off(adjuster, move.travel, move.counted)
    elif turn := turned(move):
        asked = "" if move.ask is None else f"; turned as for {abs(move.ask):.{digits}f}, as it does not move as asked"
        action, wrong = f"{turn} by {degrees(move)} (bed {amount}{asked})", "stop and turn it the other way"
        if adjuster.work or adjuster.approach:
            action = _worked(adjuster, f"t{action[1:]}{come_to(adjuster, move.travel)}")
    elif move.stack is not None:
        work = []
        if move.remove:
            work.append("take out " + " + ".join(f"{sheet:g}" for sheet in move.remove))
        if move.stack:
            work.append("put in " + " + ".join(f"{sheet:g}" for sheet in move.stack))
        action = f"{slacken} {named_adjuster(adjuster)}, {' and '.join(work)} ({amount}), {tighten}"
        wrong = "stop, take it back and check the sheets"
    elif adjuster.slackens:
        way = "up" if move.travel > 0 else "down"
        asked = "" if move.ask is None else f"{length % abs(move.ask)} {unit} {way} so that it ends "
        action = f"{slacken} {named_adjuster(adjuster)}, move it {asked}{amount}, {tighten}"
        wrong = "stop and move it the other way"
    else:
        turn = f"move {named_adjuster(adjuster)} {amount}{come_to(adjuster, move.travel)}"
        action, wrong = _worked(adjuster, turn), "stop and move it the other way"
    goes = "up" if after > before else "down"
    return (
        f"{action}; the dial at {at} must go {goes}, from {signed(before, digits)} to {signed(after, digits)}. "
        f"If it goes the other way, {wrong}."
    )


def named_adjuster(adjuster: Adjuster) -> str:
    """Return what a person calls an adjuster."""
    noun = adjuster.noun or ("seat" if adjuster.kind == "seat" else "")
    return f"{noun} {adjuster.id}" if noun else adjuster.id


def counted_off(adjuster: Adjuster, travel: float, counted: Counted) -> tuple[str, str]:
    """Return what to do with an adjuster that has a scale of its own, and what if the dial goes the other way."""
    seen = f", seen from {counted.seen_from}," if counted.seen_from else ""
    digits = adjuster.scale.digits if adjuster.scale else 1
    by = f"{counted.way}{seen} by {counted.value:.{digits}f} {counted.unit}{come_to(adjuster, travel)}"
    back = adjuster.lower if travel > 0 else adjuster.upper
    wrong = "stop and turn it the other way" if back else "stop and find out why: it does not go back"
    return _worked(adjuster, f"turn {'it' if adjuster.work else named_adjuster(adjuster)} {by}"), wrong


def _worked(adjuster: Adjuster, turn: str) -> str:
    """Return the whole of what to do: what the adjuster says, with the turn put in, or the turn alone."""
    return adjuster.work.replace("{turn}", turn) if adjuster.work else turn[0].upper() + turn[1:]


def come_to(adjuster: Adjuster, travel: float) -> str:
    """Say from which side the mark is come to, where that matters."""
    if adjuster.approach is None:
        return ""
    words = {"up": "upwards", "down": "downwards"}
    if adjuster.scale is not None:
        words = {"up": adjuster.scale.up, "down": adjuster.scale.down}
    last = words[adjuster.approach]
    if (travel > 0) == (adjuster.approach == "up"):
        return f", without going past the mark and back, so that it ends going {last}"
    if not adjuster.play:
        return f": go past the mark and come back {last}"
    scale = adjuster.scale
    play = f"{adjuster.play / scale.travel:.{scale.digits}f} {scale.unit}" if scale else f"{adjuster.play:g}"
    return f": go past the mark by more than its play of {play} and come back {last}"


def backed_off(unit: Literal["mm", "inch"], move: MoveOf, at: str, reads: float) -> str:
    """Say that a screw leaves the bed alone, and that the dial shows it."""
    turn = turned(move)
    action = (
        f"{turn} by {degrees(move)} ({how_far(unit, move)})" if turn else f"Move {move.adjuster} {how_far(unit, move)}"
    )
    return (
        f"{action}, free of the bed; the dial at {at} must stay at {signed(reads, DECIMALS[unit])}. "
        "If it moves, the bed did not lie on the others: let it settle on them and survey again."
    )


def brought_up(unit: Literal["mm", "inch"], move: MoveOf, at: str, reads: float) -> str:
    """Say that a screw meets the bed without lifting it; the dial tells when."""
    turn = turned(move)
    about = f"{degrees(move)} ({how_far(unit, move)})" if turn else how_far(unit, move)
    return (
        f"{turn or f'Bring {move.adjuster} up'} until the dial at {at} just stirs from "
        f"{signed(reads, DECIMALS[unit])}, about {about}; if the dial goes on, take it back until it stands there "
        "again."
    )


def how_far(unit: Literal["mm", "inch"], move: MoveOf) -> str:
    return f"{WRITTEN[unit] % abs(move.travel)} {unit} {'up' if move.travel > 0 else 'down'}"


def turned(move: MoveOf) -> str:
    """Say which way a screw is turned; empty for what has no thread."""
    return "" if move.direction is None else f"Turn {move.adjuster} {move.direction}, seen from {move.seen_from},"


def degrees(move: MoveOf) -> str:
    """Say how far a screw is turned."""
    if move.degrees is None or move.turns is None:
        return ""
    return f"{move.degrees:.1f}°" if move.turns < 1 else f"{move.turns:.3f} turns"
