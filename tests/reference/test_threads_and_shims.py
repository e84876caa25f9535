"""Threads, shims and indicators as standards list them, through the moves and the defaults that the service gives."""

from __future__ import annotations

from itertools import combinations_with_replacement

import pytest

from references import reference
from tramwright_service.pages.machine import COARSE
from tramwright_solvers.adjustment.shim_stacks import choices
from tramwright_solvers.correction.steps.work_order import move_of
from tramwright_solvers.model.contract import Adjuster
from tramwright_solvers.model.machine import Bed, Indicator, Machine, Screw, Sheet
from tramwright_solvers.model.units import MM_PER_INCH

BED = Bed((0.0, 400.0), (0.0, 400.0))


def degrees(lead: float, travel: float) -> float:
    screw = Adjuster("front", "support", 1.0, "", screw=Screw(lead))
    turned = move_of(screw, "three-screw", travel, 0.0, None).degrees
    assert turned is not None
    return turned


@reference(
    "published",
    source="ISO metric coarse series (ISO 261), M1.6 × 0.35 to M24 × 3, from the data files of the package "
    "bd_warehouse",
    proves="that one pitch of travel is one turn of a single-start thread, for every size of the coarse series",
)
@pytest.mark.parametrize(
    ("size", "pitch"),
    [
        *[("M1.6", 0.35), ("M2", 0.4), ("M2.5", 0.45), ("M3", 0.5), ("M4", 0.7), ("M5", 0.8), ("M6", 1.0)],
        *[("M8", 1.25), ("M10", 1.5), ("M12", 1.75), ("M14", 2.0), ("M16", 2.0), ("M20", 2.5), ("M24", 3.0)],
    ],
)
def test_coarse_threads(size: str, pitch: float) -> None:
    assert degrees(pitch, pitch) == pytest.approx(360.0, rel=1e-15)
    assert degrees(pitch, -0.5 * pitch) == pytest.approx(180.0, rel=1e-15)


@reference(
    "published",
    source="ISO metric coarse series (ISO 261) as in the test above, from the data files of the package bd_warehouse; "
    "M3.5 × 0.6 and M18 × 2.5 from the sizes of ISO 4033 nuts in its documentation",
    proves="the leads that the machine page offers for coarse threads",
)
def test_the_coarse_threads_that_the_machine_page_offers() -> None:
    listed = {
        **{"M3": 0.5, "M3.5": 0.6, "M4": 0.7, "M5": 0.8, "M6": 1.0, "M8": 1.25, "M10": 1.5, "M12": 1.75, "M14": 2.0},
        **{"M16": 2.0, "M18": 2.5, "M20": 2.5},
    }
    assert listed == COARSE


@reference(
    "derived",
    source="360° × travel / lead with the pitches of ISO 261: 0.1 mm is 51.43° of M4, 72° of M3, 4.5° of an 8 mm lead; "
    "and of unified threads (#4-40, 1/4-20): 0.001 inch is 14.4° and 7.2°",
    proves="the angle through which a screw is turned",
)
def test_a_tenth_of_a_millimetre_and_a_thousandth_of_an_inch() -> None:
    assert degrees(0.7, 0.1) == pytest.approx(51.43, abs=5e-3)
    assert degrees(0.5, 0.1) == pytest.approx(72.0, abs=0.05)
    assert degrees(8.0, 0.1) == pytest.approx(4.5, abs=0.05)
    # Forty and twenty threads to the inch, on a machine described in inches.
    assert degrees(1.0 / 40.0, 0.001) == pytest.approx(14.4, abs=0.05)
    assert degrees(1.0 / 20.0, 0.001) == pytest.approx(7.2, abs=0.05)


@reference(
    "published",
    source="ISO 2904 trapezoidal threads as listed in the package bd_warehouse (8x1.5 9x1.5 9x2 10x1.5 10x2 11x2 11x3 "
    "12x2 12x3); lead = pitch × starts",
    proves="that lead, not pitch, turns into travel: starts divide the angle",
)
@pytest.mark.parametrize(("pitch", "starts"), [(1.5, 1), (2.0, 1), (3.0, 1), (1.5, 4), (2.0, 2), (2.0, 4), (3.0, 2)])
def test_trapezoidal_threads(pitch: float, starts: int) -> None:
    assert degrees(pitch * starts, pitch) * starts == pytest.approx(360.0, rel=1e-15)


@reference(
    "published",
    source="JIS B 7503:2011, dial gauges of 0.01 mm graduation, bezel of 50 mm or more, range up to 10 mm: 15 µm over "
    "the range, repeatability 3 µm",
    proves="the indicator's error where the user states none",
)
def test_default_indicator() -> None:
    machine = Machine(bed=BED)
    assert machine.error_limit == pytest.approx(0.015, rel=1e-15)
    # Rectangular (JCGM 100, 4.3.7): 15/√3 µm, and half a division of 10 µm likewise; repeatability 3/√3 µm.
    assert machine.indicator_variance == pytest.approx((15e-3) ** 2 / 3.0 + (5e-3) ** 2 / 3.0, rel=1e-14)
    assert machine.repeat_variance == pytest.approx((3e-3) ** 2 / 3.0, rel=1e-14)
    # The same dial read in inches, and one of 0.001 mm: limits go with the division (our own choice).
    inches = Machine(bed=BED, units="inch")
    assert inches.error_limit * MM_PER_INCH == pytest.approx(0.015, rel=1e-14)
    assert Machine(bed=BED, indicator=Indicator(division=0.001)).error_limit == pytest.approx(0.0015, rel=1e-14)


@reference(
    "published",
    source="international yard and pound agreement of 1959: 1 inch = 25.4 mm exactly (from memory)",
    proves="conversion of the physical constants for machines in inches",
)
def test_an_inch() -> None:
    assert Machine(bed=BED, units="inch").from_mm(25.4) == 1.0
    assert MM_PER_INCH == 25.4


@reference(
    "published",
    source="DIN 988 thicknesses 0.1 0.12 0.15 0.2 0.25 0.3 0.4 0.5 1.0 (from memory, no default); heights enumerated",
    proves="every height that stacks of up to three such shims make, each with the fewest sheets",
)
def test_stacks_of_standard_shims() -> None:
    thicknesses = (0.1, 0.12, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 1.0)
    seat = Adjuster(
        "left-rear", "seat", 5.0, "", lower=0.0, stock=tuple(Sheet(t, 1000) for t in thicknesses), largest_stack=3
    )
    fewest: dict[int, int] = {}  # by hundredths of a millimetre
    for sheets in range(4):
        for pile in combinations_with_replacement(thicknesses, sheets):
            fewest.setdefault(round(100.0 * sum(pile)), sheets)
    found = choices(seat)
    assert found is not None
    assert {
        round(100.0 * travel): int(n.sum()) for travel, n in zip(found.travels, found.counts, strict=True)
    } == fewest
