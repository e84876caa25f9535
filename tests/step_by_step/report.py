"""How many machines are inside the aim at the one survey that closes the work, re-planned after each step or not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import Struct

from step_by_step.workshop import AIM, Fault, Workshop
from tramwright_solvers.correction.cache import GeometryCache


class Outcome(Struct, frozen=True):
    """One machine followed: the true total at the end, steps made, and which adjusters it was told to stop at."""

    total: float
    steps: int
    stops: tuple[str, ...] = ()
    culprit: str = ""

    @property
    def inside(self) -> bool:
        """Whether the true total is inside the aim."""
        return self.total <= AIM

    @property
    def blamed(self) -> bool:
        """Whether an adjuster was said not to do what it is told that does."""
        return any(name != self.culprit for name in self.stops)


def followed(job: str, seed: int, cache: GeometryCache, fault: Fault = "") -> Outcome:
    """Follow re-planned steps on one machine."""
    shop = Workshop(job, seed, fault)
    shop.follow(cache)
    return Outcome(shop.total, shop.steps, tuple(shop.stops), shop.culprit)


def blindly(job: str, seed: int, cache: GeometryCache, fault: Fault = "") -> Outcome:
    """Carry out the first plan on the same machine."""
    shop = Workshop(job, seed, fault)
    shop.follow_blindly(cache)
    return Outcome(shop.total, shop.steps, culprit=shop.culprit)


def report(count: int, faulty: int, jobs: Sequence[str]) -> Iterator[str]:
    """Yield the lines of a table."""
    yield (
        f"| adjusters | machines | inside {AIM} mm, re-planned | not re-planned | median total, mm | steps "
        "| wrongly blamed |"
    )
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for job in jobs:
        cache = GeometryCache()
        kinds: list[tuple[str, list[Fault]]] = [
            ("70 to 130 %", [""] * count),
            ("one sticks or slips", [("sticks", "slips")[at % 2] for at in range(faulty)]),
        ]
        for name, faults in kinds:
            if not faults:
                continue
            after = [followed(job, seed, cache, fault) for seed, fault in enumerate(faults)]
            blind = [blindly(job, seed, cache, fault) for seed, fault in enumerate(faults)]
            totals = [np.median([one.total for one in some]) for some in (after, blind)]
            yield (
                f"| {job} | {len(faults)}, {name} | {share(after)} | {share(blind)} | "
                f"{totals[0]:.4f} against {totals[1]:.4f} | "
                f"{np.mean([one.steps for one in after]):.1f} against {np.mean([one.steps for one in blind]):.1f} | "
                f"{sum(one.blamed for one in after)} |"
            )


def share(outcomes: Sequence[Outcome]) -> str:
    """Return how many are inside, in per cent."""
    return f"{100.0 * np.mean([one.inside for one in outcomes]):.1f} %"
