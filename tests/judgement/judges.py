"""What a good mechanic would not accept of an answer, each rule a function with its reasons.

A judge knows the answer and the truth, never how the answer came about. Bounds of our own are named here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tramwright_solvers.model.machine import Machine, Seat, Support

from .answer import Answer, Step
from .case import Case
from .truth import ExactMachine

MOST_KINK = 5e-3
"""Change of a rail's slope at a seat by one step, radians: 0.5 mm at a seat between neighbours 200 mm away. Invented,
and generous: it is to catch what no rail would bear, not to set a rule of the trade."""

MACHINE_SHARE = 0.1
"""Share of the bed's width that no adjuster can travel: beyond it the exact machine is none any more. Invented."""

DIAL_SLACK = 0.01
"""Part of a change of the dial that products of small angles may make up."""

NOTHING = 1e-9


@dataclass(frozen=True)
class Finding:
    """A rule that an answer breaks: its letter, why, and by how much in the machine's unit."""

    judge: str
    reason: str
    by: float = 0.0


@dataclass(frozen=True)
class Trial:
    """A case, its answer, and the machine before, during and after the steps."""

    case: Case
    answer: Answer

    @cached_property
    def steps(self) -> list[Step]:
        return [] if self.answer.refused else self.answer.steps

    @property
    def beyond(self) -> float:
        """Travel that no machine has, else 0."""
        furthest = max((abs(step.travel or 0.0) for step in self.steps), default=0.0)
        return furthest if furthest > MACHINE_SHARE * self.case.machine.bed.x[1] else 0.0

    @cached_property
    def found(self) -> ExactMachine:
        return self.case.exact()

    @cached_property
    def left(self) -> ExactMachine:
        """The machine once a person has made the steps, each adjuster left as far beside its mark as it may be."""
        random, machine = np.random.default_rng(self.case.number), self.case.exact()
        for step in self.steps:
            machine.move(step.adjuster, random.uniform(-1, 1) * setting_error(self.case.machine, step.adjuster))
            make(machine, step)
        return machine

    @cached_property
    def found_total(self) -> float:
        """True total over the stations before."""
        return self.found.total(self.case.places)

    @cached_property
    def totals(self) -> tuple[float, float]:
        """True total over the stations before and after."""
        return self.found_total, self.left.total(self.case.places) if self.steps else self.found_total

    @cached_property
    def bed_totals(self) -> tuple[float, float]:
        """True total over the whole bed before and after."""
        places = [*self.case.places, *self.found.bed_places()]
        before = self.found.total(places)
        return before, self.left.total(places) if self.steps else before


def make(machine: ExactMachine, step: Step) -> None:
    """Make one step as it is told: the turn where there is one, else the travel; without a travel, until it touches."""
    if step.travel is None:
        machine.bring_up(step.adjuster)
    elif step.turn is None:
        machine.move(step.adjuster, step.travel)
    else:
        machine.turn(step.adjuster, *step.turn)


def setting_given(machine: Machine, adjuster: str) -> float | None:
    """What is given for an adjuster as `setting`."""
    return next(one.setting for one in parts(machine) if one.id == adjuster)


def setting_error(machine: Machine, adjuster: str) -> float:
    """How far beside its mark an adjuster may be left, as the schema of `setting` documents it."""
    one = next(one for one in parts(machine) if one.id == adjuster)
    if one.setting is not None:
        return float(one.setting)
    if getattr(one, "method", "slip") == "shim":
        return machine.from_mm(0.005)
    screw = getattr(one, "screw", None)
    return min(machine.division / 2, screw.lead / 100) if screw else machine.division / 2


def parts(machine: Machine) -> list[Support | Seat]:
    return [*machine.supports, *(machine.rails.seats if machine.rails else [])]


def never_worse(trial: Trial) -> Iterator[Finding]:
    """(a) Carried out, the steps make the true total over the stations no worse than by the U of that predicted."""
    if trial.beyond:
        yield Finding("a", "travels that no machine has", trial.beyond)
    elif trial.steps and (by := trial.totals[1] - trial.totals[0] - trial.answer.left_u) > 0:
        yield Finding("a", "worse at the stations", by)


def bed_never_worse(trial: Trial) -> Iterator[Finding]:
    """(A) The same over the whole bed, its corners too."""
    if trial.beyond:
        yield Finding("A", "travels that no machine has", trial.beyond)
    elif trial.steps and (by := trial.bed_totals[1] - trial.bed_totals[0] - trial.answer.left_u) > 0:
        yield Finding("A", "worse over the bed", by)


def leaves_good_alone(trial: Trial) -> Iterator[Finding]:
    """(b) Proven within and nothing asked for: nothing to do."""
    if trial.answer.as_found == "within" and "aim_for" not in trial.case.options and trial.steps:
        yield Finding("b", "moves on a bed said to be within", trial.answer.total)


def worth_making(trial: Trial) -> Iterator[Finding]:
    """(c) No step is smaller than what can be set, or than half a division of the dial."""
    machine = trial.case.machine
    for step in trial.steps:
        setting = setting_given(machine, step.adjuster)
        if setting is not None and step.travel is not None and abs(step.travel) < setting:
            yield Finding("c", "smaller than can be set", setting - abs(step.travel))
        moved = None if step.before is None or step.after is None else abs(step.after - step.before)
        if not step.still and moved is not None and moved < machine.division / 2 - NOTHING:
            yield Finding("c", "smaller than the dial shows", machine.division / 2 - moved)


def surely_better(trial: Trial) -> Iterator[Finding]:
    """(d) The predicted total is better than that found by more than its U, or there are no steps."""
    by = trial.answer.left + trial.answer.left_u - trial.answer.total
    if trial.steps and by >= 0:
        yield Finding("d", "not better by its U", by)


def verdict_true(trial: Trial) -> Iterator[Finding]:
    """(e) What is said to be within is within, outside is outside; a few per cent may be wrong, the report counts."""
    judged = [("as found", trial.answer.as_found, trial.found_total)]
    if trial.steps and not trial.beyond:
        judged.append(("after the steps", trial.answer.predicted, trial.totals[1]))
    for when, verdict, total in judged:
        by = total - trial.answer.limit
        if (verdict == "within" and by > 0) or (verdict == "outside" and by <= 0):
            yield Finding("e", f"{verdict} {when}", abs(by))


def waits_for_a_reading(trial: Trial) -> Iterator[Finding]:
    """(f) A reading wrong by more than U: undecided, and nothing is moved before it is read again."""
    case, answer = trial.case, trial.answer
    if case.disturbed <= case.usual_u:
        return
    if case.shown_without and abs(answer.total - trial.found_total) <= 1.5 * case.usual_u:
        return  # the misread value has been left out
    if answer.as_found != "undecided":
        yield Finding("f", f"{answer.as_found} despite a wrong reading", case.disturbed)
    if trial.steps:
        yield Finding("f", "moves despite a wrong reading", case.disturbed)


def knows_what_it_cannot_see(trial: Trial) -> Iterator[Finding]:
    """(g) Blind to a tilt or to twist: undecided, and reading more stations comes before any move."""
    if not trial.case.blind:
        return
    for when, verdict in (("as found", trial.answer.as_found), ("predicted", trial.answer.predicted)):
        if verdict != "undecided":
            yield Finding("g", f"blind, yet {verdict} {when}")
    if trial.answer.starts_with_a_move:
        yield Finding("g", "blind, yet a move comes first")


def dial_goals_hold(trial: Trial) -> Iterator[Finding]:
    """(h) At every step the exact machine shows what the step says, and moves the dial as far as it says.

    What it shows may be beside by U, or by the most that the one reading of that station may be wrong.
    """
    case, machine, sense = trial.case, trial.case.exact(), trial.case.machine.sense
    allowed = max(trial.answer.left_u, case.machine.error_limit + 0.8 * case.machine.division)
    for step in () if trial.beyond else trial.steps:
        if step.park is None or step.before is None or step.after is None:
            make(machine, step)
            continue
        before = sense * machine.gap(*step.park) + case.zero
        make(machine, step)
        after = sense * machine.gap(*step.park) + case.zero
        off = abs((after - before) - (step.after - step.before))
        if off > case.machine.division / 2 + DIAL_SLACK * abs(step.after - step.before):
            yield Finding("h", "the dial moves otherwise than told", off)
        off = max(abs(step.before - before), abs(step.after - after))
        if case.trusted and off > allowed + DIAL_SLACK * abs(step.after - step.before):
            yield Finding("h", "the dial reads otherwise than told", off)


def rails_bear_it(trial: Trial) -> Iterator[Finding]:
    """(i) No step bends a rail at a seat by more than it may be bent at once."""
    rails = trial.case.machine.rails
    if rails is None:
        return
    along = 0 if rails.along == "x" else 1
    lines = [
        sorted((seat for seat in rails.seats if seat.rail == name), key=lambda seat: (seat.x, seat.y)[along])
        for name in dict.fromkeys(seat.rail for seat in rails.seats)
    ]
    for step in trial.steps:
        for line in lines:
            at = [(seat.x, seat.y)[along] for seat in line]
            moved = [step.travel or 0.0 if seat.id == step.adjuster else 0.0 for seat in line]
            kink = float(np.abs(np.diff(np.diff(moved) / np.diff(at))).max(initial=0.0))
            if kink > MOST_KINK:
                yield Finding("i", "a rail bent too far at once", kink)


def blames_the_reading(trial: Trial) -> Iterator[Finding]:
    """(j) Where repeats disagree, no better indicator is asked for."""
    if trial.case.kind == "repeats disagree" and trial.answer.advises_better_indicator:
        yield Finding("j", "asks for a better indicator")


def helps(trial: Trial) -> Iterator[Finding]:
    """(k) A bed plainly out, honestly read and within reach gets a verdict and steps that bring it within."""
    case, before = trial.case, trial.found_total
    if not case.repairable or before < trial.answer.limit + 3 * case.usual_u:
        return
    if trial.answer.as_found != "outside":
        yield Finding("k", "plainly outside, not said so", before - trial.answer.limit)
    if not trial.steps:
        yield Finding("k", "plainly outside, no steps", before - trial.answer.limit)
    elif not trial.beyond and trial.totals[1] > trial.answer.limit:
        yield Finding("k", "still outside after the steps", trial.totals[1] - trial.answer.limit)


JUDGES: dict[str, Callable[[Trial], Iterator[Finding]]] = {
    "a": never_worse,
    "A": bed_never_worse,
    "b": leaves_good_alone,
    "c": worth_making,
    "d": surely_better,
    "e": verdict_true,
    "f": waits_for_a_reading,
    "g": knows_what_it_cannot_see,
    "h": dial_goals_hold,
    "i": rails_bear_it,
    "j": blames_the_reading,
    "k": helps,
}


def judge(trial: Trial) -> list[Finding]:
    """Return what an answer breaks; a refusal advises nothing, so it breaks nothing but `k`."""
    if trial.answer.refused:
        return [Finding("k", "refused")] if trial.case.repairable else []
    return [finding for rule in JUDGES.values() for finding in rule(trial)]
