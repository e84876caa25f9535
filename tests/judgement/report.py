"""Judges many cases and writes what was broken: kind by rule, the worst of each rule, how long it took."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any

from scipy.stats import binom

from .answer import ask
from .cases import KINDS, nth
from .judges import JUDGES, Finding, Trial, judge

RISK = 0.05
"""Share of verdicts that may be wrong: the answers' coverage factor stands for 95 % on one side."""

SURE = 0.999
"""A count of wrong verdicts is too high where the stated risk would make fewer with this probability."""


@dataclass
class Kind:
    """What came of the cases of one kind."""

    cases: int = 0
    refused: int = 0
    with_steps: int = 0
    decided: int = 0
    wrong: int = 0
    broken: Counter[str] = field(default_factory=Counter)

    @property
    def too_many_wrong(self) -> bool:
        """True where more verdicts on the bed as found are wrong than their stated probability allows."""
        return self.wrong > binom.ppf(SURE, self.decided, RISK)


@dataclass
class Report:
    """What came of all cases."""

    kinds: dict[str, Kind] = field(default_factory=lambda: {kind: Kind() for kind in KINDS})
    reasons: Counter[tuple[str, str]] = field(default_factory=Counter)
    worst: dict[str, list[tuple[float, int, str, str]]] = field(default_factory=lambda: defaultdict(list))
    stated: list[float] = field(default_factory=list)
    came_true: int = 0
    answering: float = 0.0
    seconds: float = 0.0

    def add(self, trial: Trial, found: list[Finding]) -> None:
        """Count one case; a rule broken several times by one answer counts once."""
        kind = self.kinds[trial.case.kind]
        kind.cases += 1
        kind.refused += trial.answer.refused
        kind.with_steps += bool(trial.steps)
        if not trial.answer.refused:
            kind.decided += trial.answer.as_found != "undecided"
        kind.wrong += any(one.judge == "e" and one.reason.endswith("as found") for one in found)
        kind.broken.update({one.judge for one in found})
        honest = trial.steps and trial.case.trusted and not trial.case.blind and not trial.beyond
        if honest and (stated := trial.answer.probability) is not None:
            self.stated.append(stated)
            self.came_true += trial.totals[1] <= trial.answer.limit
        self.reasons.update({(one.judge, one.reason) for one in found})
        for one in found:
            in_mm = one.by / trial.case.built.mm if one.judge != "i" else one.by
            self.worst[f"{one.judge}: {one.reason}"].append(
                (in_mm, trial.case.number, trial.case.kind, trial.case.built.name)
            )

    def lines(self) -> Iterable[str]:
        """Write it as Markdown."""
        yield "Rules: " + "; ".join(f"{rule.__doc__.split('.')[0]}" for rule in JUDGES.values() if rule.__doc__) + "."
        yield ""
        yield "| kind | cases | refused | with steps | decided | " + " | ".join(JUDGES) + " | e: too many |"
        yield "| --- |" + " --- |" * (5 + len(JUDGES))
        whole = Kind()
        for name, kind in self.kinds.items():
            yield row(name, kind, "yes" if kind.too_many_wrong else "")
            for part in ("cases", "refused", "with_steps", "decided", "wrong"):
                setattr(whole, part, getattr(whole, part) + getattr(kind, part))
            whole.broken.update(kind.broken)
        yield row("all", whole, f"{whole.wrong} of {whole.decided}")
        yield ""
        yield "| rule and reason | answers | worst: mm (i: rad), case, kind, machine |"
        yield "| --- | --- | --- |"
        for (letter, reason), count in sorted(self.reasons.items()):
            worst = sorted(self.worst[f"{letter}: {reason}"], reverse=True)[:3]
            shown = "; ".join(f"{by:.3g}, {number}, {kind}, {machine}" for by, number, kind, machine in worst)
            yield f"| {letter}: {reason} | {count} | {shown} |"
        yield ""
        yield (
            f"Honest surveys that see every tilt and twist, steps made: {sum(self.stated):.1f} of {len(self.stated)} "
            f"beds within by the probabilities stated, {self.came_true} in truth."
        )
        yield ""
        cases = max(whole.cases, 1)
        yield (
            f"{self.seconds / cases * 1000:.0f} s for 1,000 cases, {self.answering / cases * 1000:.0f} s of it "
            "for the answers."
        )


def row(name: str, kind: Kind, note: str) -> str:
    cells: list[Any] = [name, kind.cases, kind.refused, kind.with_steps, kind.decided]
    return "| " + " | ".join(map(str, [*cells, *(kind.broken[letter] or "" for letter in JUDGES), note])) + " |"


def judged(numbers: Iterable[int]) -> Report:
    """Judge the cases of these numbers."""
    report, start = Report(), perf_counter()
    for number in numbers:
        one = nth(number)
        asked = perf_counter()
        answer = ask(one.request)
        report.answering += perf_counter() - asked
        trial = Trial(one, answer)
        report.add(trial, judge(trial))
    report.seconds = perf_counter() - start
    return report
