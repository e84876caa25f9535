"""What an answer takes for granted because the request does not say it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from ..model.contract import Adjuster, Mechanism
from ..model.machine import Machine
from ..model.sentences import GENERAL_CAUTIONS
from . import sentences


def assumptions(machine: Machine, moved: Sequence[Adjuster]) -> list[str]:
    """Return every default that an answer hangs on which moves these adjusters, the shortest first."""
    unit, indicator, found = machine.units, machine.indicator, list[str]()
    if machine.limit is None:
        found.append(sentences.assumed_limit(machine.total_limit, unit))
    if indicator.division is None:
        found.append(sentences.assumed_division(machine.division, unit))
    if indicator.error_limit is None:
        found.append(sentences.assumed_error_limit(machine.error_limit, unit))
    if indicator.bed_high_reads is None:
        found.append(sentences.HIGH_READS_PLUS)
    screws = [adjuster.screw for adjuster in moved if adjuster.screw is not None]
    if any(screw.hand is None for screw in screws):
        found.append(sentences.RIGHT_HAND)
    if any(screw.turned_from is None for screw in screws):
        found.append(sentences.FROM_BELOW)
    if any(screw.turned_part is None and screw.build is None for screw in screws):
        found.append(sentences.LEAD_SCREWS)
    return sorted(found, key=lambda text: (len(text), text))


class SaidOfMoves(NamedTuple):
    """What is said of moving some adjusters, whatever the readings; ``aiming`` is ``assumed`` with the usual aim."""

    cautions: tuple[str, ...]
    assumed: list[str]
    aiming: list[str]


def said_of_moves(machine: Machine, mechanisms: Sequence[Mechanism], moved: Sequence[Adjuster]) -> SaidOfMoves:
    """Return the cautions and assumptions that go with moving these adjusters of these mechanisms."""
    told = [one.cautions(machine) for one in mechanisms]
    assumed = assumptions(machine, moved)
    aim = sentences.assumed_aim(machine.total_limit / 3.0, machine.units)
    return SaidOfMoves(
        (*GENERAL_CAUTIONS, *(caution for some in told for caution in some)),
        assumed,
        sorted([*assumed, aim], key=len),
    )
