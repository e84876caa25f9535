"""On a sample of simulated machines: warnings come before the limit, on few steady ones, and with a day that is true.

`python -m tests.drift 500 --start 500` follows as many as the figures in the guide rest on.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drift.follow import follow
from drift.lives import Life
from drift.report import SHARES, Tally, judged, lines
from profiles import more
from tramwright_solvers.history import trends

MACHINES = 60 * more(8)


@pytest.fixture(scope="module")
def tally() -> Tally:
    return judged(range(500, 500 + MACHINES))


def test_drifting_machines_are_warned_of_before_the_limit_and_steady_ones_hardly_ever(tally: Tally) -> None:
    assert tally.share("warned in time") >= 0.9
    assert tally.share("false warnings") <= 0.02 + 1.0 / MACHINES
    assert tally.share("false drifts") <= 0.06
    assert tally.share("false jumps") <= 0.06


def test_days_that_are_told_are_true_at_their_probability(tally: Tally) -> None:
    # of n independent ones at 95 %, no fewer than this but once in a thousand; those of one machine are not independent
    for name, chance in (("first dates", 0.95), ("kept until", 0.975)):
        spread = 3.1 * np.sqrt(chance * (1.0 - chance) / (MACHINES / 3))
        assert tally.share(name) >= chance - spread, name
    assert tally.share("all dates") >= 0.9


def test_jumps_are_named_at_once_and_are_no_drifts(tally: Tally) -> None:
    assert tally.share("jumps found") >= 0.85
    assert tally.share("jumps warned") <= 0.06
    assert tally.share("changes") >= 0.9


def test_the_check_can_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trends, "DRIFT_RISK", 0.999)
    said = follow(Life(0))
    assert any((one.found.outlook.trends.since >= 0).any() for one in said)
    monkeypatch.setattr(trends, "DRIFT_RISK", 1e-30)
    assert not any(one.warned for one in follow(Life(1)))


def test_the_table_has_a_line_for_everything_counted(tally: Tally) -> None:
    table = list(lines(replace(tally, wrong=[])))
    assert len([line for line in table if line.startswith("| ")]) == len(SHARES) + 2
