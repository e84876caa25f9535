"""What answers state is so on simulated machines: a small sample here, ten times as many machines each night.

Seeds are fixed, so a failure belongs to the change. A row fails beyond 3.3 standard deviations of its share: where a
statement were just attained that would happen by chance in one of 2000 rows.
"""

from __future__ import annotations

import re

import numpy as np
import pytest

from claims.__main__ import PAGE
from claims.corrections import decided
from claims.family import FORMS, LAYOUTS, MOVED, subject
from claims.measured import MEASURES, Measure, rows
from claims.row import Row, table
from profiles import more

MACHINES = 6 * more(10)
"""Machines of each row: those of the nightly profile are ten times as many."""


@pytest.mark.parametrize("measure", MEASURES, ids=lambda measure: measure.__name__)
def test_what_is_stated_is_so(measure: Measure) -> None:
    found = rows(measure, MACHINES)
    assert all(row.trials for row in found)
    assert [row for row in found if not row.holds] == []


def test_travels_move_the_exact_machine_as_their_influence_says() -> None:
    # the shares count on it, for they look at thousands of machines after the moves
    random = np.random.default_rng(5)
    for mechanism, seats in MOVED:
        one = subject(random, mechanism, "3 × 3", "smooth", seats=seats)
        done, choice = decided(one, "least-squares", one.surveys(one.read(random, 1)))
        travels = choice.chosen.travels[0]
        expected = one.true + done.prepared.influence @ travels
        for adjuster, travel in zip(done.prepared.adjusters, travels.tolist(), strict=True):
            one.exact.move(adjuster.id, travel)
        off = one.exact.gaps(one.places) - expected
        assert np.ptp(off) < 1e-3  # a tenth of a division; cosine errors are in it


def test_the_page_has_every_row_and_none_that_is_not_so() -> None:
    page = PAGE.read_text()
    assert "not so" not in page
    for layout in LAYOUTS:
        assert f"least-squares, {layout}" in page
    for form in FORMS:
        assert f"| {form}, 5 × 5 |" in page
    assert len(re.findall(r"^\| (?!claim|---)", page, re.MULTILINE)) > 60


@pytest.mark.parametrize(("measured", "holds"), [(0.9, False), (0.94, True), (0.99, True)])
def test_a_share_too_small_is_told(measured: float, holds: bool) -> None:
    row = Row("it holds", "any", 500, measured, least=0.95)
    assert row.holds is holds
    assert ("not so" in table([row])[-1]) is not holds
