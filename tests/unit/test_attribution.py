"""The sentence on whose error it is, on invented totals: a claim is made only where the difference can be measured."""

from math import inf

import pytest

from tramwright_solvers.diagnostics.error_source import TURN, attribution
from tramwright_solvers.model.machine import Bed, Machine
from tramwright_solvers.results.findings import AsFound, Place
from tramwright_solvers.results.moves import Rung

MACHINE = Machine(bed=Bed((0.0, 500.0), (0.0, 500.0)))


def sentence(totals: list[float], kinds: list[str], expanded: float = 0.02, *, read_first: bool = False) -> str:
    rungs = [Rung(str(index), total, total / 4) for index, total in enumerate(totals)]
    found = AsFound(totals[0], expanded / 1.645, expanded, 1.645, 0.0, Place(0.0, 0.0), Place(1.0, 1.0))
    return attribution(MACHINE, kinds, rungs, found, inf, [Place(0.0, 0.0)] if read_first else [])


def test_what_the_rails_take_away_is_said_with_its_size_and_the_test_that_tells():
    told = sentence([0.30, 0.20, 0.01], ["support", "seat"])
    assert "still read 0.200 mm" in told
    assert "0.190 mm of that goes" in told
    assert "no adjuster reaches" not in told
    assert told.endswith(TURN)


def test_what_no_adjuster_reaches_is_said_only_beyond_the_uncertainty():
    assert "The remaining 0.050 mm no adjuster reaches" in sentence([0.30, 0.20, 0.05], ["support", "seat"])
    assert "reaches" not in sentence([0.30, 0.20, 0.019], ["support", "seat"])


@pytest.mark.parametrize("kinds", [["support"], ["support", "seat"]])
def test_nothing_is_blamed_on_the_frame_within_the_uncertainty(kinds: list[str]):
    told = sentence([0.30, 0.012, 0.01][: len(kinds) + 1], kinds)
    assert "within the adjusters' reach" in told
    assert TURN not in told


def test_form_that_screws_cannot_take_out_is_called_so():
    assert "0.180 mm of 0.300 mm is within" in sentence([0.30, 0.12], ["support"])
    assert "0.110 mm is form" in sentence([0.12, 0.11], ["support"])


@pytest.mark.parametrize("totals", [[0.30, 0.20, 0.01], [0.30, 0.012, 0.01], [0.12, 0.11, 0.10]])
def test_nothing_is_blamed_before_what_is_to_be_read_is_read(totals: list[float]):
    assert "cannot be told" in sentence(totals, ["support", "seat"], read_first=True)
