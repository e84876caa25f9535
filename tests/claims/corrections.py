"""What corrections state, measured: u of travels, verdicts before and after the moves, the total over the whole bed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from judgement.machines import stations
from tramwright_solvers.correction.api import reduce_stack
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.decision import Decision, decide
from tramwright_solvers.model.options import Criterion, Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.uncertainty.range import outside_margin

from .family import CLAIMED, FORMS, LAYOUTS, MOVED, Subject, subject
from .row import Row

SURVEYS = 60
"""Surveys of each machine."""

TWO_SIDED = 1.96


def decided(one: Subject, criterion: Criterion, surveys: list[Survey]) -> tuple[ReducedStack, Decision]:
    """Work surveys of a machine through, as far as the decision: what is stated before any is held back as a slip."""
    solve: Solve[Any] = Solve(with_=one.solvers, criterion=criterion, aim_for=0.0)
    done = reduce_stack(one.machine, surveys, solve)
    return done, decide(done.prepared, solve, done.gaps, done.noise)


def set_travels(done: ReducedStack, choice: Decision, random: np.random.Generator) -> np.ndarray:
    """Return how far each adjuster is really moved, (N, m): beside what was asked for by as much as it may be."""
    travels = choice.chosen.travels
    half = done.prepared.setting.half
    return np.asarray(travels + random.uniform(-1, 1, travels.shape) * half * (travels != 0.0))


def readings(one: Subject, number: int, random: np.random.Generator) -> list[Survey]:
    """Read a machine, every third one in two set-ups."""
    return one.in_two_setups(random, SURVEYS) if number % 3 == 2 else one.surveys(one.read(random, SURVEYS))


def subjects(random: np.random.Generator, layout: str, machines: int) -> Iterator[Subject]:
    """Draw machines of every mechanism and form in turn."""
    for number in range(machines):
        mechanism, seats = MOVED[number % len(MOVED)]
        if layout == "cross":  # which is blind to twist
            mechanism = "three screws"
        form = list(FORMS)[number // len(MOVED) % len(FORMS)]
        setting = (0.0005, None, 0.002)[number // 3 % 3]
        yield subject(random, mechanism, layout, form, seats=seats, setting=setting)


def travels(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how many travels lie within 1.96 u of those that the true gaps ask for, under least squares."""
    for layout in LAYOUTS:
        for setups in ("one set-up", "two set-ups"):
            inside = list[bool]()
            for one in subjects(random, layout, machines):
                read = one.surveys(one.read(random, SURVEYS))
                if setups == "two set-ups":
                    read = one.in_two_setups(random, SURVEYS)
                _, choice = decided(one, "least-squares", read)
                exact, _ = decided(one, "least-squares", one.surveys(one.true[None]))
                true = exact.prepared.candidates.evaluate(exact.gaps, "least-squares").travels[0, choice.chosen.index]
                off = np.abs(choice.chosen.travels - true)[choice.chosen.travels != 0.0]
                inside += (off <= TWO_SIDED * choice.chosen.u[choice.chosen.travels != 0.0]).tolist()
            yield Row(
                "a travel lies within 1.96 u",
                f"least squares, {layout}, {setups}",
                len(inside),
                share(inside),
                0.935,
                0.965,
            )


def of_a_zone(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Count travels by minimum zone that have a u: none is stated."""
    for layout in LAYOUTS:
        told = list[bool]()
        for one in subjects(random, layout, machines):
            solve: Solve[Any] = Solve(with_=one.solvers, criterion="minimum-zone", aim_for=0.0)
            answers = reduce_stack(one.machine, one.surveys(one.read(random, 3)), solve).moves_answers()
            told += [move.u is not None for answer in answers for move in answer.moves]
        yield Row("a travel has a u", f"minimum zone, {layout}", len(told), share(told), most=0.0)


def as_found(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often a verdict on the total as found is wrong, the limit just beside the true total."""
    for layout in LAYOUTS:
        within, rounded, outside = list[bool](), list[bool](), list[bool]()
        for number, one in enumerate(subjects(random, layout, machines)):
            done, choice = decided(one, "least-squares", readings(one, number, random))
            found, _ = choice.extremes
            total, u, _, inside, _ = np.array([known for _, known in found]).T
            true, division = float(np.ptp(one.true)), one.machine.division
            within += (total + inside <= true * (1 - 1e-9)).tolist()
            rounded += (total + inside <= np.floor(true / division) * division).tolist()
            outside += (total - outside_margin(done.gaps, u) > true).tolist()
        for name, cases in (
            ("within", within),
            ("within, of a limit of whole divisions", rounded),
            ("outside", outside),
        ):
            yield Row(f"as found it is wrongly {name}", layout, len(cases), share(cases), most=0.05)


def predicted(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often what the moves leave is wrongly within the limit at which that happens most.

    The limit is looked for in one half of the surveys, and the share taken from the other.
    """
    for layout in LAYOUTS:
        wrong: dict[Criterion, list[bool]] = {"least-squares": [], "minimum-zone": []}
        for number, one in enumerate(subjects(random, layout, machines)):
            read = readings(one, number, random)
            for criterion, cases in wrong.items():
                done, choice = decided(one, criterion, read)
                _, left = choice.extremes
                total, _, _, inside, _ = np.array([known for _, known in left]).T
                true = np.ptp(one.true + set_travels(done, choice, random) @ done.prepared.influence.T, axis=1)
                limit = worst_limit((total + inside)[::2], true[::2])
                cases.extend(((total + inside <= limit) & (limit < true))[1::2].tolist())
        for criterion, cases in wrong.items():
            yield Row(
                "after the moves it is wrongly within", f"{criterion}, {layout}", len(cases), share(cases), most=0.05
            )


def unseen(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Count verdicts on stations that stand in a line but for a micrometre: none is given."""
    given = list[bool]()
    for _ in range(machines):
        one = subject(random, "three screws", "3 × 3", "none")
        blind = replace(one, places=stations("in line but for 1 µm", random, one.machine.bed.x[1]))
        solve: Solve[Any] = Solve(with_=one.solvers)
        for answer in reduce_stack(one.machine, blind.surveys(blind.read(random, 5)), solve).verdict_answers():
            given += [verdict != "undecided" for verdict in (answer.verdict.as_found, answer.verdict.predicted)]
    yield Row("a verdict is given", "stations in line but for 1 µm", len(given), share(given), most=0.0)


def worst_limit(said: np.ndarray, true: np.ndarray) -> float:
    """Return the limit at which ``said <= limit < true`` is true most often."""
    return float(max([*said, 0.0], key=lambda limit: np.count_nonzero((said <= limit) & (limit < true))))


def whole_bed(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how many intervals hold the true total over the whole bed, of forms that are claimed and others."""
    for layout in ("5 × 5", "scattered 12"):
        for form in FORMS:
            found, left = list[bool](), list[bool]()
            for number in range(machines):
                mechanism = ("three screws", "rails that slip", "screws and rails")[number % 3]
                one = subject(random, mechanism, layout, form)
                done, choice = decided(one, "least-squares", readings(one, number // 3, random))
                there = done.prepared.influence_at(np.array(one.everywhere))
                now = np.ptp(one.bed + set_travels(done, choice, random) @ there.T, axis=1)
                told = done.prepared.over_bed.totals(done.gaps, done.noise, choice.chosen.travels)
                if told[0][0].low is None:
                    continue
                ends = np.array([[(state.low, state.high) for state in both] for both in told])
                found += ((ends[:, 0, 0] <= np.ptp(one.bed)) & (np.ptp(one.bed) <= ends[:, 0, 1])).tolist()
                left += ((ends[:, 1, 0] <= now) & (now <= ends[:, 1, 1])).tolist()
            least = 0.95 if form in CLAIMED else 0.0
            for when, cases in (("as found", found), ("predicted", left)):
                yield Row(
                    f"the interval holds the total over the bed, {when}",
                    f"{form}, {layout}",
                    len(cases),
                    share(cases),
                    least,
                )


def share(cases: list[bool]) -> float:
    return float(np.mean(cases)) if cases else 0.0
