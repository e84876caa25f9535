"""Reversal: whatever the plate, the gantry, the planes and the noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reversed_plates import (
    ALONG_X,
    HALF,
    MACHINE,
    NOT_MOVED,
    PITCH,
    QUARTER,
    THREE_QUARTERS,
    Lay,
    decided_truth,
    flat,
    gantry_form,
    plate_form,
    surveys,
)
from tramwright_solvers.model.survey import Reading
from tramwright_solvers.reversal import PlacedSurvey, reverse
from tramwright_solvers.reversal.separation import Separation, separate
from tramwright_solvers.reversal.shapes import forms
from tramwright_solvers.reversal.validation import match_surveys

LAYS: tuple[Lay, ...] = (QUARTER, HALF, THREE_QUARTERS, ALONG_X, (0.0, (0.0, -PITCH)), (90.0, (PITCH, 0.0)))


@st.composite
def laid(draw: st.DrawFn) -> list[Lay]:
    """Two to five ways to lay the plate, the first of them not moved."""
    others = draw(st.lists(st.sampled_from(LAYS), min_size=1, max_size=4, unique=True))
    return [NOT_MOVED, *others]


seeds = st.integers(0, 2**32 - 1)


def read(lays: list[Lay], seed: int, noise: float = 0.002) -> list[PlacedSurvey]:
    random = np.random.default_rng(seed)
    tilts = random.normal(scale=0.1, size=(len(lays), 3))
    return surveys(lays, tilts=tilts, errors=lambda count: random.normal(scale=noise, size=count))


def solved(read: list[PlacedSurvey]) -> Separation:
    return separate(match_surveys(MACHINE, read))


@given(laid(), seeds)
def test_without_noise_the_decided_part_is_exact(lays: list[Lay], seed: int) -> None:
    apart = solved(read(lays, seed, noise=0.0))
    assert apart.estimate == pytest.approx(decided_truth(apart), abs=1e-12)
    # nothing of the undecidable part shows in any gap but a plane, and the rest is all there is
    for part, shape in zip(forms(apart), (plate_form, gantry_form), strict=True):
        truth = decided_truth(
            apart, plate_form if shape is plate_form else flat, flat if shape is plate_form else shape
        )
        own = apart.on_plate if shape is plate_form else apart.on_gantry
        away = apart.null[own]
        expected = truth[own] - away @ np.linalg.lstsq(away, truth[own], rcond=1e-6)[0]
        assert part.decided.heights == pytest.approx(expected, abs=1e-11)


@given(laid(), seeds, st.randoms(use_true_random=False))
def test_the_order_of_surveys_and_readings_does_not_matter(lays: list[Lay], seed: int, random: object) -> None:
    given_order = read(lays, seed)
    turned = [PlacedSurvey(list(reversed(one.readings)), one.turned, one.shifted) for one in reversed(given_order)]
    first, second = reverse(MACHINE, given_order), reverse(MACHINE, turned)
    for one, other in ((first.plate, second.plate), (first.gantry, second.gantry)):
        assert [(s.x, s.y) for s in one.stations] == [(s.x, s.y) for s in other.stations]
        assert [s.height for s in one.stations] == pytest.approx([s.height for s in other.stations], abs=1e-10)
        assert [s.u for s in one.stations] == pytest.approx([s.u for s in other.stations], rel=1e-6)
        assert [(t.term, t.decidable) for t in one.terms] == [(t.term, t.decidable) for t in other.terms]
    assert first.undecided.dimension == second.undecided.dimension
    for shape, same in zip(first.undecided.shapes, second.undecided.shapes, strict=True):
        assert shape.name == same.name
        assert shape.plate == pytest.approx(same.plate, abs=1e-6)
        assert shape.gantry == pytest.approx(same.gantry, abs=1e-6)
    assert (first.whose, first.further) == (second.whose, second.further)


@given(laid(), seeds)
def test_levelling_anew_changes_nothing(lays: list[Lay], seed: int) -> None:
    before = read(lays, seed)
    random = np.random.default_rng(seed + 1)
    after = []
    for one in before:
        a, b, c = random.normal(scale=0.2, size=3)
        moved = [Reading(r.x, r.y, float(r.value) + a + b * r.x / 500 + c * r.y / 500) for r in one.readings]
        after.append(PlacedSurvey(moved, one.turned, one.shifted))
    first, second = solved(before), solved(after)
    assert second.estimate == pytest.approx(first.estimate, abs=1e-11)
    assert second.excess == pytest.approx(first.excess, abs=1e-6)


@given(laid(), seeds)
def test_the_undecidable_part_changes_no_gap_but_by_a_plane(lays: list[Lay], seed: int) -> None:
    apart = solved(read(lays, seed))
    placed = apart.laid
    assert apart.null.T @ apart.null == pytest.approx(np.eye(apart.null.shape[1]), abs=1e-12)
    gaps = apart.null[apart.on_plate][placed.at_plate] - apart.null[apart.on_gantry][placed.at_gantry]
    for index in range(len(lays)):
        own = placed.survey == index
        flat_part = np.column_stack([np.ones(own.sum()), placed.gantry[placed.at_gantry[own]] / 500.0])
        rest = gaps[own] - flat_part @ np.linalg.lstsq(flat_part, gaps[own], rcond=None)[0]
        assert np.abs(rest).max(initial=0.0) < 1e-9


@given(laid(), seeds)
def test_a_further_survey_removes_what_was_said(lays: list[Lay], seed: int) -> None:
    answer = reverse(MACHINE, read(lays, seed))
    for further in answer.further.tried[:2]:
        more = solved(read([*lays, (further.turned, further.shifted)], seed))
        assert more.null.shape[1] == further.leaves == answer.undecided.dimension - further.removes


@pytest.mark.parametrize("lays", [[NOT_MOVED, QUARTER, ALONG_X], [NOT_MOVED, HALF]])
def test_u_is_the_spread_of_repeated_surveys(lays: list[Lay]) -> None:
    """300 invented repetitions: each u within four standard errors of the spread (1 / √600 of it)."""
    u = float(np.sqrt(MACHINE.indicator_variance + MACHINE.repeat_variance))
    found = [solved(read(lays, seed, noise=u)) for seed in range(300)]
    kept = [apart for apart in found if not apart.contradicted]
    assert len(kept) >= 297  # one in a thousand is called contradicted by chance
    for pick in (0, 1):
        parts = [forms(apart)[pick].decided for apart in kept]
        spread = np.std([part.heights for part in parts], axis=0, ddof=1)
        assert spread == pytest.approx(parts[0].u, rel=4.0 / np.sqrt(600.0))
        truth = forms(solved(read(lays, 0, noise=0.0)))[pick].decided.heights
        mean = np.mean([part.heights for part in parts], axis=0)
        assert np.abs(mean - truth).max() < 4.5 * parts[0].u.max() / np.sqrt(len(parts))
    assert np.mean([apart.excess for apart in kept]) == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / kept[0].dof / 300))
