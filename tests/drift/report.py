"""What was said of machines whose lives are known, against what is true of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from math import inf, isfinite

import numpy as np

from drift.follow import Said, follow
from drift.lives import Life
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.history.outlook import REMAINDER, SHAPES, named
from tramwright_solvers.history.trends import Step

SHARES = {
    "false warnings": "steady machines ever warned of",
    "false drifts": "steady machines of which a term was ever said to drift",
    "false jumps": "steady or drifting machines ever said to have jumped",
    "warned in time": "drifting machines warned of before the limit was passed",
    "first dates": "first warnings whose interval holds the day of passing",
    "all dates": "warnings whose interval holds the day of passing",
    "jumps found": "jumps named between the right surveys at the first survey after them",
    "jumps warned": "jumped machines ever warned of as if they drifted",
    "changes": "changes of terms in jumps within twice their u of the truth",
    "kept until": "next checks until which the true total stays within the limit",
}
"""What is counted."""


@dataclass
class Tally:
    """How often each was so, of how many; and how long before the passing the first warning came, in days."""

    of: dict[str, list[bool]] = field(default_factory=lambda: {name: [] for name in SHARES})
    ahead: list[float] = field(default_factory=list)
    wrong: list[tuple[str, int]] = field(default_factory=list)

    def share(self, name: str) -> float:
        """How often it was so."""
        return float(np.mean(self.of[name])) if self.of[name] else float("nan")

    def add(self, name: str, seed: int, *, so: bool, expected: bool) -> None:
        self.of[name].append(so)
        if so != expected:
            self.wrong.append((name, seed))


def judged(seeds: Iterable[int]) -> Tally:
    """Follow these machines and count."""
    tally, cache = Tally(), GeometryCache()
    for seed in seeds:
        life = Life(seed)
        _judge(tally, life, follow(life, cache))
    return tally


def _judge(tally: Tally, life: Life, said: list[Said]) -> None:
    seed = life.seed
    passes = life.passing() if life.kind == "drifting" else inf
    before = [one for one in said if one.day < passes]
    jumped = any(one.found.outlook.trends.steps for one in before)
    if life.kind == "steady":
        drifts = any((one.found.outlook.trends.since >= 0).any() for one in said)
        tally.add("false warnings", seed, so=any(one.warned for one in said), expected=False)
        tally.add("false drifts", seed, so=drifts, expected=False)
        tally.add("false jumps", seed, so=jumped, expected=False)
    elif life.kind == "drifting":
        _judge_drift(tally, life, before, passes)
        tally.add("false jumps", seed, so=jumped, expected=False)
    else:
        _judge_jump(tally, life, said)
    for one in before:
        check = one.found.outlook.check
        if one.found.outlook.why in ("drift", "no-drift") and check is not None:
            last = one.day + check
            later = [day for visit in life.visits for day in (visit.day,) if visit.moves and day > one.day]
            if not later and not one.found.last.moved and (not life.jump or one.visit >= life.jump):
                tally.add("kept until", seed, so=life.total(last) <= life.limit, expected=True)


def _judge_drift(tally: Tally, life: Life, before: list[Said], passes: float) -> None:
    warnings = [one for one in before if one.warned]
    tally.add("warned in time", life.seed, so=bool(warnings), expected=True)
    if not isfinite(passes):
        return
    if warnings:
        tally.ahead.append(passes - warnings[0].day)
    for place, one in enumerate(warnings):
        warned = one.found.outlook.warned
        assert warned is not None
        if any(visit.moves and visit.day > one.day for visit in life.visits):
            continue  # what people move later was not to be foreseen
        holds = warned.earliest <= passes - one.day <= warned.latest
        tally.add("all dates", life.seed, so=holds, expected=True)
        if place == 0:
            tally.add("first dates", life.seed, so=holds, expected=True)


def _judge_jump(tally: Tally, life: Life, said: list[Said]) -> None:
    tally.add("jumps warned", life.seed, so=any(one.warned for one in said), expected=False)
    first = next(one for one in said if one.visit == life.jump)
    at = said.index(first)
    if said[at - 1].found.last.moved:  # moved in the same visit, and not read since
        return
    step = next((one for one in first.found.outlook.trends.steps if one.before == at - 1), None)
    tally.add("jumps found", life.seed, so=step is not None, expected=True)
    if step is None:
        return
    for term in named(step):
        if term in range(*SHAPES.indices(REMAINDER)):
            tally.add("changes", life.seed, so=_as_true(life, said[at - 1], first, step, term), expected=True)


def _as_true(life: Life, before: Said, after: Said, step: Step, term: int) -> bool:
    from tramwright_solvers.diagnostics.form_terms import OVER_BED, term_columns

    columns = term_columns(life.machine.bed, np.array(life.stations)) / OVER_BED
    change = life.gap(after.day, after=after.closing) - life.gap(before.day, after=before.closing)
    true = np.linalg.lstsq(columns, change, rcond=None)[0][term] * life.mm
    return bool(abs(step.change[term] - true) <= 2.0 * step.u[term])


def lines(tally: Tally) -> Iterator[str]:
    """Yield a table."""
    yield "| of machines whose lives are known | how many | share |"
    yield "| --- | --- | --- |"
    for name, told in SHARES.items():
        yield f"| {told} | {sum(tally.of[name])} of {len(tally.of[name])} | {100.0 * tally.share(name):.1f} % |"
    yield ""
    yield f"First warnings come {np.median(tally.ahead):.0f} days before the limit is passed, median."
