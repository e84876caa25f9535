"""Summary of a batch: counts by verdict, and the worst machines; independent of how the batch was cut."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

from msgspec import Meta, Struct, field

from tramwright_solvers.model.quantities import MachineId, Units

SHOWN = 10
"""Machines that a summary names."""


class Worst(Struct, frozen=True):
    """One of the machines furthest beyond its limit, by its worst survey in the batch."""

    machine: MachineId
    id: Annotated[str | None, Meta(description="The line's own `id`.")]
    line: Annotated[int, Meta(description="Number of that line, counted from one, blank ones included.")]
    total: Annotated[float, Meta(description="Total as found, in the machine's `units`.")]
    limit: Annotated[float, Meta(description="Largest total that is still good, in the machine's `units`.")]
    units: Units
    as_found: Annotated[
        str, Meta(description="The total as found against the limit, by the decision rule of the verdict.")
    ]

    @property
    def ratio(self) -> float:
        """Total as found over the limit: comparable between machines of different size and unit."""
        return self.total / self.limit


class Counts(Struct):
    """Surveys by verdict: within, outside and undecided."""

    within: Annotated[int, Meta(description="Surveys whose total is proven within the limit.")] = 0
    outside: Annotated[int, Meta(description="Surveys whose total is proven outside the limit.")] = 0
    undecided: Annotated[int, Meta(description="Surveys whose total is neither.")] = 0

    def add(self, other: Counts) -> None:
        """Add another count to this one."""
        self.within += other.within
        self.outside += other.outside
        self.undecided += other.undecided


class Tally(Struct):
    """Summary of a batch or of a part of one."""

    lines: Annotated[int, Meta(description="Lines that held something; blank ones are passed over.")] = 0
    answered: Annotated[int, Meta(description="Lines that got an answer.")] = 0
    problems: Annotated[int, Meta(description="Lines that got a problem.")] = 0
    as_found: Annotated[Counts, Meta(description="How many totals as found stand where.")] = field(
        default_factory=Counts
    )
    predicted: Annotated[Counts, Meta(description="How many predicted totals stand where.")] = field(
        default_factory=Counts
    )
    worst: Annotated[
        list[Worst],
        Meta(description="Machines furthest beyond their limits as found, each by its worst survey, the worst first."),
    ] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Add a later part of the same batch."""
        self.lines += other.lines
        self.answered += other.answered
        self.problems += other.problems
        self.as_found.add(other.as_found)
        self.predicted.add(other.predicted)
        self.worst = worst_of([*self.worst, *other.worst])


def worst_of(candidates: Iterable[Worst]) -> list[Worst]:
    """Return the worst survey of each of the worst machines; of equals, the earlier line."""
    by_machine: dict[str, Worst] = {}
    for one in candidates:
        before = by_machine.get(one.machine)
        if before is None or (-one.ratio, one.line) < (-before.ratio, before.line):
            by_machine[one.machine] = one
    return sorted(by_machine.values(), key=lambda one: (-one.ratio, one.line))[:SHOWN]


class BatchSummary(Struct, frozen=True):
    """The last line of a batch."""

    summary: Annotated[Tally, Meta(description="What the batch came to.")]
