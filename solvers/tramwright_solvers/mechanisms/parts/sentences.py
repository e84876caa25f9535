"""What is said of moving in parts: who carries meanwhile, how many rounds, and what bends too far."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from ...model.units import DECIMALS


def three_carry(carry: Sequence[str], others: Sequence[str]) -> str:
    are = "is" if len(others) == 1 else "are"
    return (
        f"{listed(carry)} carry the plate while they are set; {listed(others)} {are} backed off first and brought up "
        "last."
    )


def hold_it_down(support: str) -> str:
    return f" Put a weight on the plate over {support} so that it cannot tip off it."


def listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def rail_too_far(seat: str, rounds: int, most: int) -> str:
    return (
        f"The rail would leave the line through its seats at `{seat}` so far that {rounds} rounds of work were needed, "
        f"and more than {most} are too many. Look for a slip of reading, a loose seat or a damaged rail first."
    )


def bent_over_held(seat: str, bent: float, most: float, unit: Literal["mm", "inch"]) -> str:
    digits = DECIMALS[unit]
    return (
        f"The rail would be bent by {bent:.{digits}f} {unit} over the seat `{seat}`, which is held, and "
        f"{most:.{digits}f} {unit} is the most. Let that seat move too."
    )


def seats_go_in_rounds(rounds: int, bend: float) -> str:
    return (
        f"The seats go in {rounds} rounds, a share each, so that none leaves the line through its neighbours by more "
        f"than 1/{int(1 / bend)} of their spacing in one. "
    )


def round_of(turn: int, rounds: int) -> str:
    return f"Round {turn} of {rounds}."


def turned_in_rounds(rounds: int) -> str:
    return f"All screws are turned in {rounds} rounds, a share each, so that the plate is bent a little at a time. "


def screw_too_far(screw: str, turns: float, most: float) -> str:
    return (
        f"`{screw}` would be turned by {turns:.3g} turns, and a plate that may bend is not moved by more than {most:g} "
        "at a time. Look for a slip of reading or a wrong unit first."
    )
