"""What comparisons state, measured on machines that did not move: how often a change is seen that is none."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tramwright_solvers.comparison.compare import compare
from tramwright_solvers.diagnostics.reliability import ALPHA

from .corrections import share
from .family import FORMS, LAYOUTS, layout, subject
from .row import Row

COMPARED = 25
"""Pairs of surveys of each machine."""

PAIRS = [(before, after) for before in LAYOUTS for after in LAYOUTS if LAYOUTS.index(before) <= LAYOUTS.index(after)]


def unmoved(random: np.random.Generator, machines: int) -> Iterator[Row]:
    """Measure how often an unmoved machine is said to have moved, its stations each time another pair of layouts."""
    for before, after in PAIRS:
        called, totals, risks = list[bool](), list[bool](), list[float]()
        for number in range(machines):
            one = subject(random, "three screws", before, list(FORMS)[number % len(FORMS)])
            side = one.machine.bed.x[1]
            # where both are alike, the same stations; scattered ones are others but for every fourth machine
            same = before == after and (before != "scattered 12" or number % 4 == 0)
            places = one.places if same else layout(after, random, side)
            other = type(one)(one.machine, one.solvers, one.exact, places)
            for was, now in zip(
                one.surveys(one.read(random, COMPARED)), other.surveys(other.read(random, COMPARED)), strict=True
            ):
                answer = compare(one.machine, was, now, one.solvers)
                called.append(answer.moved)
                totals.append(answer.total.significant)
                risks.append(answer.risk)
        family = f"{before} against {after}"
        yield Row("an unmoved machine is called moved", family, len(called), share(called), most=float(np.mean(risks)))
        yield Row("an unmoved machine's total is called changed", family, len(totals), share(totals), most=ALPHA)
