"""Whole steps and stacks of shims: what is attainable, and from which sheets; all stocks are invented."""

from __future__ import annotations

from collections import Counter
from itertools import combinations_with_replacement

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adjusters import screw, seat
from profiles import budget
from tramwright_solvers.adjustment.shim_stacks import Lattice, Pools, Stacks, choices, stack_for
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Sheet


def stacks(adjuster: Adjuster) -> Stacks:
    table = choices(adjuster)
    assert isinstance(table, Stacks)
    return table


def test_whole_steps_reach_into_the_bounds_and_keep_zero() -> None:
    table = choices(screw("a", step=0.1, lower=-0.25, upper=0.3))
    assert isinstance(table, Lattice)
    assert (table.first, table.last) == (-2, 3)
    assert table.low == pytest.approx(-0.2)
    assert table.high == pytest.approx(0.3)
    endless = choices(screw("a", step=0.1))
    assert isinstance(endless, Lattice)
    assert (endless.low, endless.high) == (-np.inf, np.inf)
    assert choices(screw("a")) is None


def test_without_fitted_sheets_a_seat_only_goes_up() -> None:
    table = stacks(seat(stock=(Sheet(0.05, 2), Sheet(0.2, 1)), largest_stack=2))
    assert table.travels == pytest.approx([0.0, 0.05, 0.1, 0.2, 0.25])


def test_fitted_sheets_can_come_out_and_go_back() -> None:
    adjuster = seat(stock=(Sheet(0.1, 1),), fitted=(0.2, 0.05), largest_stack=2)
    table = stacks(adjuster)
    assert table.travels == pytest.approx([-0.25, -0.2, -0.15, -0.1, -0.05, 0.0, 0.05])
    up = stack_for(adjuster, table.counts[-1])
    assert (up.under, up.add, up.remove) == ((0.2, 0.1), (0.1,), (0.05,))
    alone = stack_for(adjuster, table.counts[table.nearest(0.0)])
    assert (alone.under, alone.add, alone.remove) == ((0.2, 0.05), (), ())


def test_a_pile_higher_than_allowed_may_be_left_alone() -> None:
    table = stacks(seat(fitted=(0.1, 0.1, 0.1), largest_stack=1))
    assert 0.0 in table.travels
    assert table.high == 0.0


def test_fewest_sheets_then_the_thicker() -> None:
    adjuster = seat(stock=(Sheet(0.1, 9), Sheet(0.2, 9), Sheet(0.3, 9), Sheet(0.4, 9)), largest_stack=3)
    table = stacks(adjuster)
    half = stack_for(adjuster, table.counts[table.nearest(0.5)])
    # 0.3 + 0.2 and 0.4 + 0.1 are two sheets each.
    assert half.under == (0.4, 0.1)


def test_heights_that_differ_only_by_rounding_are_one() -> None:
    table = stacks(seat(stock=(Sheet(0.1, 9), Sheet(0.2, 9), Sheet(0.3, 9)), largest_stack=3))
    assert len(table.travels) == 10
    assert np.all(np.diff(table.travels) > 0.09)


def test_an_empty_stock_leaves_the_seat_alone() -> None:
    assert stacks(seat(stock=())).travels.tolist() == [0.0]


def test_too_many_different_stacks_are_refused_with_a_remedy() -> None:
    odd = tuple(Sheet(0.1 + 0.0137 * np.sqrt(k), 1000) for k in range(1, 40))
    with pytest.raises(Refused) as refusal:
        choices(seat(stock=odd, largest_stack=12))
    assert refusal.value.faults[0].pointer == "/machine/rails/seats/seat/stock"
    assert "largest_stack" in refusal.value.faults[0].detail


@budget(5)
@given(
    st.lists(st.tuples(st.integers(1, 12), st.integers(0, 3)), min_size=1, max_size=3, unique_by=lambda pair: pair[0]),
    st.lists(st.integers(1, 12), max_size=2),
    st.integers(1, 3),
)
def test_every_attainable_travel_and_no_other(stock: list[tuple[int, int]], fitted: list[int], largest: int) -> None:
    """Against every multiset of sheets counted out one by one, in whole hundredths."""
    hand = Counter(dict(stock)) + Counter(fitted)
    most = max(largest, len(fitted))
    sums = {
        sum(pile) - sum(fitted)
        for size in range(most + 1)
        for pile in combinations_with_replacement(sorted(hand), size)
        if not Counter(pile) - hand
    }
    adjuster = seat(
        stock=tuple(Sheet(thickness / 100, count) for thickness, count in stock),
        fitted=tuple(thickness / 100 for thickness in fitted),
        largest_stack=largest,
    )
    table = stacks(adjuster)
    assert [round(travel * 100) for travel in table.travels] == sorted(sums)
    for travel, counts in zip(table.travels, table.counts, strict=True):
        under = stack_for(adjuster, counts)
        assert sum(under.under) - sum(adjuster.fitted) == pytest.approx(travel, abs=1e-12)
        assert sum(under.add) - sum(under.remove) == pytest.approx(travel, abs=1e-12)


def test_seats_without_their_own_stock_share_the_rails_stock() -> None:
    rails = Rails(
        "y",
        [
            Seat("a", "l", 0, 0, method="shim"),
            Seat("b", "l", 0, 500, method="shim", stock=[0.1]),
            Seat("c", "r", 500, 0, method="slip"),
            Seat("d", "r", 500, 500, method="shim"),
        ],
        stock=[Sheet(0.1, 1)],
    )
    adjusters = RailShim().adjusters(Machine(bed=Bed((0, 500), (0, 500)), rails=rails))
    assert [adjuster.pool for adjuster in adjusters] == ["/machine/rails/stock", None, None, "/machine/rails/stock"]


def test_shared_sheets_are_dealt_so_that_all_seats_are_served() -> None:
    """One seat can be made 0.2 high from one sheet or two; the other needs that one sheet."""
    shared = {
        column: seat(str(column), stock=(Sheet(0.1, 2), Sheet(0.2, 1)), pool="shelf", largest_stack=most)
        for column, most in ((0, 2), (1, 1))
    }
    tables = {column: stacks(adjuster) for column, adjuster in shared.items()}
    pools = Pools(shared, tables)
    picks = {column: table.nearest(0.2) for column, table in tables.items()}
    dealt = pools.together(picks)
    assert dealt is not None
    assert stack_for(shared[0], dealt[0]).add == (0.1, 0.1)
    assert stack_for(shared[1], dealt[1]).add == (0.2,)
    higher = {0: tables[0].nearest(0.3), 1: tables[1].nearest(0.2)}
    assert pools.together(higher) is None
