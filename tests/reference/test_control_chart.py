"""Control chart and trend of a history against a handbook and a statistics package."""

from __future__ import annotations

import numpy as np
import pytest

from references import library, reference
from tramwright_solvers.history.added_columns import BELIEF
from tramwright_solvers.history.crossing import UNEVEN, Line, interval
from tramwright_solvers.history.ewma import chart
from tramwright_solvers.history.trends import Track, trends

VALUES = np.array([
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
])  # fmt: skip
AVERAGES = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
    50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


@reference(
    "published",
    source="NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; data and averages from memory, all recomputed",
    proves="the moving averages of a history and their control limits",
)
def test_ewma_example() -> None:
    found = chart(VALUES, np.full(len(VALUES), 2.0539), target=50.0)
    assert found.level == pytest.approx(AVERAGES, abs=0.0051)
    # the handbook gives the limits that they tend to; after twenty points they are there to four decimals
    assert (found.upper[-1], found.lower[-1]) == pytest.approx((52.5884, 47.4115), abs=1.1e-4)
    assert ((found.level > found.lower) & (found.level < found.upper)).all()


@reference(
    "library",
    packages=("statsmodels",),
    source="WLS: weighted least squares with a level for each group and one slope",
    proves="the rate of a term over runs between which it was moved, and its standard uncertainty",
)
@pytest.mark.parametrize("seed", range(5))
def test_rate_over_runs(seed: int) -> None:
    linear = library("statsmodels.regression.linear_model")
    rng = np.random.default_rng(seed)
    n = 14
    days, u = np.sort(rng.uniform(0.0, 300.0, n)), rng.uniform(0.5, 2.0, n)
    begins = np.isin(np.arange(n), [0, 5, 9])
    values = 0.02 * days + np.cumsum(begins) * 3.0 + u * rng.normal(size=n)
    found = trends(Track(days, values[:, None], u[:, None], begins))
    design = np.column_stack([days, *(np.cumsum(begins) == run for run in (1, 2, 3))])
    theirs = linear.WLS(values, design, weights=u**-2.0).fit()
    assert found.since[0] == -1  # no more than chance: from the first survey on
    assert found.steps == []
    assert found.rate[0] == pytest.approx(theirs.params[0], rel=1e-9)
    factor = np.sqrt((BELIEF + theirs.ssr) / (BELIEF + theirs.df_resid))
    assert found.rate_u[0] == pytest.approx(factor * np.sqrt(theirs.normalized_cov_params[0, 0]), rel=1e-9)


@reference(
    "derived",
    source="E. C. Fieller, J. R. Stat. Soc. B 16 (1954): where the line is k standard uncertainties from the limit",
    proves="the earliest and the latest day on which the limit may be passed",
)
def test_interval_ends_where_the_line_is_k_standard_uncertainties_away() -> None:
    line = Line(0.05, 4e-4, 16e-6, 4e-9, 3e-8)
    first, last = interval(line, 0.1, 2.2)
    assert first < (0.1 - line.now) / line.rate < last
    for day in (first, last):
        rate_variance = line.rate_variance + (UNEVEN * line.rate) ** 2
        u = np.sqrt(line.now_variance + 2.0 * day * line.shared + day**2 * rate_variance)
        assert abs(line.now + day * line.rate - 0.1) == pytest.approx(2.2 * u)
