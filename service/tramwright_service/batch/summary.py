"""Summary of a batch: counts by verdict, the worst machines and the lines refused; independent of how the batch was cut
and in which order its parts were answered."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Annotated

from msgspec import Meta, Struct, field
from msgspec.structs import replace

from tramwright_solvers.model.quantities import MachineId, SurveyTakenAt, Units

SHOWN = 10
"""Machines that a summary names."""
REFUSALS = 20
"""Refused lines that a summary names."""
MACHINES = 100_000
"""Machines of which the latest survey is remembered; beyond it, those not seen for longest are forgotten."""

LineId = Annotated[str | None, Meta(description="`id` of the line; null where it has none, or could not be read.")]
LineNumber = Annotated[int, Meta(description="Number of the line, counted from one, blank ones included.")]
InFile = Annotated[str | None, Meta(description="File in which the line stands; null where it came over HTTP.")]


class Standing(Struct, frozen=True):
    """Where a machine stands by its latest survey in the batch."""

    machine: MachineId
    file: InFile
    line: LineNumber
    id: LineId
    taken_at: SurveyTakenAt
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


class RefusedLine(Struct, frozen=True):
    """One line that got a problem in place of an answer."""

    file: InFile
    line: LineNumber
    id: LineId
    says: Annotated[str, Meta(description="Why, and what to change, in a sentence.")]


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


class Latest(Struct, frozen=True):
    """The surveys of one machine in a batch, or a part of it, as far as its standing hangs on them.

    ``last`` is the last in the stream. ``newest`` is the one taken last, the later line of equals; None where a survey
    does not say when it was taken, since the order in the stream then decides.
    """

    last: Standing
    newest: Standing | None

    @property
    def standing(self) -> Standing:
        """The survey that counts."""
        return self.newest or self.last

    def then(self, later: Latest) -> Latest:
        """Return what both say; ``later`` comes later in the stream."""
        if self.newest is None or later.newest is None:
            return Latest(later.last, None)
        newer = moment(later.newest.taken_at or "") >= moment(self.newest.taken_at or "")
        return Latest(later.last, later.newest if newer else self.newest)


def moment(taken_at: str) -> datetime:
    """Return when a survey was taken; one that was answered has a date that can be read, with its offset."""
    return datetime.fromisoformat(taken_at)


class Tally(Struct):
    """What a part of a batch came to, in a form that later parts can be added to."""

    answered: int = 0
    problems: int = 0
    as_found: Counts = field(default_factory=Counts)
    predicted: Counts = field(default_factory=Counts)
    machines: dict[str, Latest] = field(default_factory=dict)
    refused: list[RefusedLine] = field(default_factory=list)

    @property
    def lines(self) -> int:
        """Lines that held something."""
        return self.answered + self.problems

    def add(self, later: Tally) -> None:
        """Add the part that comes next in the stream."""
        self.answered += later.answered
        self.problems += later.problems
        self.as_found.add(later.as_found)
        self.predicted.add(later.predicted)
        for machine, latest in later.machines.items():
            before = self.machines.pop(machine, None)
            self.machines[machine] = latest if before is None else before.then(latest)
        while len(self.machines) > MACHINES:
            del self.machines[next(iter(self.machines))]
        self.refused = [*self.refused, *later.refused][:REFUSALS]

    def in_file(self, name: str) -> Tally:
        """Return the same with the name of the file that the lines stand in."""
        machines = {
            machine: Latest(replace(one.last, file=name), one.newest and replace(one.newest, file=name))
            for machine, one in self.machines.items()
        }
        return replace(self, machines=machines, refused=[replace(one, file=name) for one in self.refused])

    def totals(self) -> Totals:
        """Return what people are told of it."""
        return Totals(
            lines=self.lines,
            answered=self.answered,
            problems=self.problems,
            as_found=self.as_found,
            predicted=self.predicted,
            worst=worst_of(one.standing for one in self.machines.values()),
            refused=self.refused,
            more_refused=self.problems - len(self.refused),
        )


def worst_of(standings: Iterable[Standing]) -> list[Standing]:
    """Return the worst of the machines, the worst first; of equals, the earlier line."""
    return sorted(standings, key=lambda one: (-one.ratio, one.line, one.machine))[:SHOWN]


class Totals(Struct, frozen=True):
    """What a batch came to."""

    lines: Annotated[int, Meta(description="Lines that held something; blank ones are passed over.")]
    answered: Annotated[int, Meta(description="Lines that got an answer.")]
    problems: Annotated[int, Meta(description="Lines that got a problem.")]
    as_found: Annotated[Counts, Meta(description="How many totals as found stand where.")]
    predicted: Annotated[Counts, Meta(description="How many predicted totals stand where.")]
    worst: Annotated[
        list[Standing],
        Meta(
            description="The ten machines with the largest total for their limit, as found by each machine's latest "
            "survey, the worst first. The latest is that of the latest `taken_at` where all surveys of the machine "
            "have one, else the last in the stream; of more than a hundred thousand machines, those not seen for "
            "longest are left out."
        ),
    ]
    refused: Annotated[list[RefusedLine], Meta(description="The first twenty lines refused, with the reason.")]
    more_refused: Annotated[int, Meta(description="How many more were refused.")]


class BatchSummary(Struct, frozen=True):
    """The last line of a batch."""

    summary: Annotated[Totals, Meta(description="What the batch came to.")]
