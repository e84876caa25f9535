"""On a sample of simulated machines: re-planned after each step they are inside at one closing survey, else not.

`python -m tests.step_by_step 500 50` follows as many as the figures in the guide rest on.
"""

from __future__ import annotations

import pytest

from profiles import more
from step_by_step.report import blindly, followed, report
from step_by_step.workshop import JOBS, Fault, Workshop
from tramwright_solvers.correction.cache import GeometryCache

MACHINES, FAULTY = 10 * more(20), 6 * more(5)


@pytest.mark.parametrize("job", JOBS)
def test_one_closing_survey_is_enough(job: str) -> None:
    cache = GeometryCache()
    after = [followed(job, seed, cache) for seed in range(MACHINES)]
    blind = [blindly(job, seed, cache) for seed in range(MACHINES)]
    assert sum(one.inside for one in after) >= 0.9 * MACHINES
    assert sum(one.inside for one in blind) <= 0.2 * MACHINES
    assert not any(one.stops for one in after)


@pytest.mark.parametrize("job", ["three screws", "three screws, four seats"])
def test_an_adjuster_at_fault_is_named_and_no_other(job: str) -> None:
    cache, kinds = GeometryCache(), tuple[Fault, ...](("sticks", "slips"))
    outcomes = [followed(job, seed, cache, kinds[seed % 2]) for seed in range(FAULTY)]
    assert sum(one.inside for one in outcomes) >= 0.9 * FAULTY
    assert not any(one.blamed for one in outcomes)
    assert any(one.stops for one in outcomes)


def test_the_check_can_fail() -> None:
    shop = Workshop("three screws", 1)
    before = shop.total
    shop.shares = dict.fromkeys(shop.shares, 0.0)  # nothing moves, whoever is looked at
    shop.follow()
    assert shop.stops
    assert shop.total == pytest.approx(before)


def test_the_table_has_a_line_for_each_kind() -> None:
    table = list(report(2, 1, ["three screws"]))
    assert len(table) == 4
    assert all(line.startswith("| ") for line in table)
