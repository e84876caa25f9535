"""What a map is made of: its scale, its colours, its surface, and where words find room. All data invented."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from matplotlib import colormaps
from matplotlib.colors import to_rgb

from tramwright_service.maps.callouts import spread
from tramwright_service.maps.colours import INKS, MOST_BANDS, palette_for, scale_for
from tramwright_service.maps.labels import MOST, OF_MANY, order_of
from tramwright_service.maps.surface import surface, surfaces
from tramwright_service.maps.svg import tidy


@pytest.mark.parametrize(
    ("low", "high", "least", "step", "edges"),
    [
        (-0.099, 0.096, 0.01, 0.02, 10),
        (-0.142, 0.085, 0.01, 0.025, 10),
        (-0.004, 0.004, 0.01, 0.01, 2),
        (0.0, 0.0, 0.01, 0.01, 1),
        (-0.0162, 0.0100, 0.0005, 0.0025, 11),
        (0.0, 900.0, 0.01, 100.0, 9),
    ],
)
def test_a_scale_has_round_steps_no_finer_than_the_dial(
    low: float, high: float, least: float, step: float, edges: int
) -> None:
    scale = scale_for(low, high, least)
    assert scale.step == pytest.approx(step)
    assert scale.bands == edges <= MOST_BANDS[0]
    assert scale.edges[0] <= low + 1e-9
    assert scale.edges[-1] >= high - 1e-9
    assert all(round(edge, scale.decimals) == pytest.approx(edge, abs=1e-12) for edge in scale.edges)


def luminance(colour: tuple[float, float, float]) -> float:
    """Relative luminance as WCAG 2 defines it, from sRGB (IEC 61966-2-1); from memory."""
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in colour]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", sorted(INKS))
@pytest.mark.parametrize("bands", range(1, MOST_BANDS[0] + 1))
def test_colours_rise_in_lightness_and_figures_stay_legible_on_them(theme: str, bands: int) -> None:
    inks = INKS[theme]
    colours = palette_for(scale_for(0.0, 0.01 * bands, 0.01), inks).colours
    assert len(colours) == bands
    assert all(luminance(one) < luminance(other) for one, other in pairwise(colours)), "grey print"
    # 4.5 : 1 is what WCAG 2 (1.4.3) asks of small text; from memory
    assert min(contrast(to_rgb(inks.ink), one) for one in [*colours, to_rgb(inks.paper)]) > 4.5
    assert contrast(to_rgb(inks.work), to_rgb(inks.paper)) > 4.5


def test_the_colours_are_those_of_cividis_let_down() -> None:
    """Nuñez, Anderton & Renslow, PLoS ONE 13(7), e0199239, 2018; the values as matplotlib ships them."""
    colours = palette_for(scale_for(0.0, 0.1, 0.01), INKS["light"]).colours
    pure = np.array(colormaps["cividis"]([0.0, 1.0]))[:, :3]
    for own, at in ((colours[0], pure[0]), (colours[-1], pure[1])):
        share = (1.0 - np.array(own)) / (1.0 - at)
        assert np.ptp(share) < 1e-9, "on the straight way from the paper to the colour"


GRID = np.array([(x, y) for x in (20.0, 135.0, 250.0, 365.0, 480.0) for y in (20.0, 135.0, 250.0, 365.0, 480.0)])


def test_the_surface_is_plane_where_the_stations_are() -> None:
    found = surface(GRID, 0.0004 * GRID[:, 0] - 0.0002 * GRID[:, 1])
    assert found is not None
    x, y = np.meshgrid(found.x, found.y)
    assert np.nanmax(np.abs(found.values - (0.0004 * x - 0.0002 * y))) < 1e-9


def test_the_surface_meets_every_station_and_ends_at_the_outermost() -> None:
    twist = 1e-6 * (GRID[:, 0] - 250.0) * (GRID[:, 1] - 250.0)
    found = surface(GRID, twist)
    assert found is not None
    for (x, y), value in zip(GRID, twist, strict=True):
        column, row = np.argmin(np.abs(found.x - x)), np.argmin(np.abs(found.y - y))
        assert found.values[row, column] == pytest.approx(value, abs=0.005)
    assert (found.outline.min(axis=0) == 20.0).all()
    assert (found.outline.max(axis=0) == 480.0).all()


def test_nothing_is_drawn_where_stations_span_nothing() -> None:
    line = np.column_stack([np.arange(5.0), 2.0 * np.arange(5.0)])
    assert surface(line, np.arange(5.0)) is None
    assert surface(GRID[:2], np.zeros(2)) is None
    assert surface(np.empty((0, 2)), np.empty(0)) is None
    assert surface(np.full((6, 2), 7.0), np.arange(6.0)) is None


def test_stations_that_cannot_be_told_apart_do_not_throw_the_surface_up() -> None:
    near = np.array([(250.0 + 1e-6 * at, 250.0 + 1e-6 * at**2) for at in range(5)])
    found = surface(np.concatenate([GRID, near]), np.concatenate([np.zeros(25), 0.001 * np.arange(5.0)]))
    assert found is not None
    assert np.nanmax(np.abs(found.values)) < 0.005


def test_each_patch_of_a_bed_has_a_surface_of_its_own() -> None:
    step = np.where(GRID[:, 0] < 200.0, 0.0, 1.0)
    left, right = np.flatnonzero(step == 0.0).tolist(), np.flatnonzero(step == 1.0).tolist()
    one, other = surfaces(GRID, step, [left, right])
    assert np.nanmax(np.abs(one.values)) < 1e-9
    assert np.nanmax(np.abs(other.values - 1.0)) < 1e-9
    assert one.x[-1] < other.x[0]


def test_of_many_stations_the_extremes_come_first_and_the_rest_is_spread_evenly() -> None:
    points = np.array([(x, y) for x in range(20) for y in range(20)], dtype=float)
    order = order_of(points, (37, 222))
    assert order[:2] == [37, 222]
    assert len(order) == OF_MANY == len(set(order))
    chosen = points[order]
    gaps = np.hypot(*(chosen[:, None] - chosen[None]).T) + 99.0 * np.eye(OF_MANY)
    assert gaps.min() >= 2.0
    assert sorted(order_of(points[:MOST], (3,))) == list(range(MOST))


def test_callouts_keep_their_distance_and_their_order() -> None:
    heights = spread([100.0, 99.0, 98.0, 10.0], 20.0, 0.0, 110.0)
    assert all(upper - lower >= 20.0 - 1e-9 for upper, lower in pairwise(heights))
    assert heights[0] == 100.0
    assert heights[-1] == 10.0


def test_lines_are_written_as_steps_that_end_where_their_points_are() -> None:
    head = '<svg width="9pt" height="9pt"><defs></defs>'
    path = '<path d="M 1.04 2.04 \nL 3.06 2.04 \nL 3.06 -1.26 \nL 4.16 5.04 \nz\nM 7 8 \nL 7.26 8.44 \n"/>'
    curve = '<path d="M 0 0 \nC 0.14 1.26 2.34 3.44 4 5 \nz"/>'
    tidied = tidy(head + path + curve + "</svg>", "", "")
    assert '<path d="M1 2h2.1v-3.3l1.1 6.3zM7 8l0.3 0.4"/>' in tidied
    assert '<path d="M 0 0 C 0.1 1.3 2.3 3.4 4 5 z"/>' in tidied


def test_what_is_no_picture_is_not_tidied() -> None:
    with pytest.raises(ValueError, match="head"):
        tidy("<html></html>", "", "")
