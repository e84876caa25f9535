"""Outlier statistics of the service against the regression diagnostics of a statistics package."""

from __future__ import annotations

import numpy as np
import pytest

from references import library, reference
from regression import set_aside, studentized
from tramwright_solvers.correction.api import correct
from tramwright_solvers.diagnostics.form_terms import term_columns
from tramwright_solvers.diagnostics.reliability import reliability
from tramwright_solvers.mechanisms import ThreeScrew
from tramwright_solvers.model.machine import Bed, Machine, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey

GRID = np.array([(x, y) for y in (20.0, 135.0, 250.0, 365.0, 480.0) for x in (20.0, 135.0, 250.0, 365.0, 480.0)])
STATISTICS = "OLSInfluence: hat diagonal, internally and externally studentized residuals, after Belsley, Kuh & Welsch"


def survey(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A bed with tilt, twist and bow, and one reading with its decimal point in the wrong place; invented."""
    rng = np.random.default_rng(seed)
    design = term_columns(Bed((0.0, 500.0), (0.0, 500.0)), GRID)
    gap = design @ rng.normal(0.0, 0.05, 6) + rng.normal(0.0, 0.004, len(GRID))
    gap[rng.integers(len(GRID))] += 0.09
    return design, gap


@reference(
    "library",
    packages=("statsmodels",),
    source=STATISTICS,
    proves="redundancy numbers, the test statistics of suspects, and which reading is the worst",
)
@pytest.mark.parametrize("seed", range(5))
def test_survey_with_a_slip(seed: int) -> None:
    linear = library("statsmodels.regression.linear_model")
    influence_of = library("statsmodels.stats.outliers_influence").OLSInfluence
    design, gap = survey(seed)
    theirs = influence_of(linear.OLS(gap, design).fit())
    model = reliability(design, np.ones(len(gap)))
    internal, external = studentized(model, np.ones(len(gap)), gap)
    assert model.redundancy == pytest.approx(1.0 - theirs.hat_matrix_diag, abs=1e-12)
    assert internal == pytest.approx(theirs.resid_studentized_internal, rel=1e-9, abs=1e-11)
    assert external == pytest.approx(theirs.resid_studentized_external, rel=1e-9, abs=1e-11)


@reference(
    "library",
    packages=("statsmodels",),
    source="OLSInfluence on rows multiplied by the square roots of their weights",
    proves="the same where readings differ in weight",
)
def test_weighted_survey_with_a_slip() -> None:
    linear = library("statsmodels.regression.linear_model")
    influence_of = library("statsmodels.stats.outliers_influence").OLSInfluence
    design, gap = survey(11)
    root = np.sqrt(1.0 + np.arange(len(gap)) % 3)
    theirs = influence_of(linear.OLS(root * gap, root[:, None] * design).fit())
    model = reliability(design, root)
    internal, external = studentized(model, root, gap)
    assert model.redundancy == pytest.approx(1.0 - theirs.hat_matrix_diag, abs=1e-12)
    assert internal == pytest.approx(theirs.resid_studentized_internal, rel=1e-9, abs=1e-11)
    assert external == pytest.approx(theirs.resid_studentized_external, rel=1e-9, abs=1e-11)


@reference(
    "library",
    packages=("statsmodels",),
    source="OLS on the remaining rows, and its prediction of the row left out",
    proves="that setting a reading aside in the model is fitting without it; what a suspect is expected to read, ± u",
)
def test_leaving_one_out() -> None:
    linear = library("statsmodels.regression.linear_model")
    design, gap = survey(2)
    for index in (0, 7, 24):
        model = reliability(design, np.ones(len(gap)))
        (slip,), fitted = model.slips(np.array([index])), model.residual(gap)
        residual = fitted - slip * (slip @ fitted)
        keep = np.arange(len(gap)) != index
        theirs = linear.OLS(gap[keep], design[keep]).fit()
        assert model.dof - 1 == theirs.df_resid
        assert residual[keep] == pytest.approx(theirs.resid, abs=1e-13)
        assert residual[index] == pytest.approx(0.0, abs=1e-13)
        suspect, foretold = set_aside(model, np.ones(len(gap)), gap, index), theirs.get_prediction(design[[index]])
        assert suspect.expected == pytest.approx(float(foretold.predicted_mean[0]), abs=1e-13)
        assert suspect.u == pytest.approx(float(foretold.se_obs[0]), rel=1e-9)


@reference(
    "library",
    packages=("statsmodels",),
    source="OLSInfluence and OLS on the remaining rows, with the six terms of the bed's form as columns",
    proves="the suspect of a whole answer: which reading, its test statistic, redundancy and expected value",
)
@pytest.mark.parametrize("seed", range(5))
def test_suspect_of_an_answer(seed: int) -> None:
    linear = library("statsmodels.regression.linear_model")
    influence_of = library("statsmodels.stats.outliers_influence").OLSInfluence
    design, gap = survey(seed)
    gap = np.round(gap, 4)
    machine = Machine(
        bed=Bed((0.0, 500.0), (0.0, 500.0)),
        supports=[Support("a", 30.0, 40.0), Support("b", 470.0, 40.0), Support("c", 250.0, 460.0)],
    )
    readings = [
        Reading(x, y, value) for (x, y), value in zip(GRID.tolist(), (machine.sense * gap).tolist(), strict=True)
    ]
    (suspect,) = correct(machine, Survey(readings), Solve(with_=[ThreeScrew()])).suspects
    theirs = influence_of(linear.OLS(gap, design).fit())
    worst = int(np.abs(theirs.resid_studentized_external).argmax())
    assert (suspect.x, suspect.y) == tuple(GRID[worst])
    assert machine.sense * suspect.standardized == pytest.approx(theirs.resid_studentized_external[worst], rel=1e-9)
    assert suspect.redundancy == pytest.approx(1.0 - theirs.hat_matrix_diag[worst], abs=1e-12)
    keep = np.arange(len(gap)) != worst
    foretold = design[worst] @ linear.OLS(gap[keep], design[keep]).fit().params
    assert machine.sense * suspect.expected == pytest.approx(foretold, abs=1e-12)


@reference(
    "library",
    packages=("statsmodels",),
    source="OLSInfluence on the stack loss of an ammonia plant, data as statsmodels ships them",
    proves="the same statistics on a data set that the literature of outliers is built on",
)
def test_stack_loss_by_a_library() -> None:
    linear = library("statsmodels.regression.linear_model")
    influence_of = library("statsmodels.stats.outliers_influence").OLSInfluence
    from statsmodels.datasets import stackloss

    data = stackloss.load_pandas().data
    loss = data["STACKLOSS"].to_numpy()
    design = np.column_stack([np.ones(21), data[["AIRFLOW", "WATERTEMP", "ACIDCONC"]]])
    theirs = influence_of(linear.OLS(loss, design).fit())
    model = reliability(design, np.ones(21))
    internal, external = studentized(model, np.ones(21), loss)
    assert model.redundancy == pytest.approx(1.0 - theirs.hat_matrix_diag, abs=1e-11)
    assert internal == pytest.approx(theirs.resid_studentized_internal, rel=1e-9)
    assert external == pytest.approx(theirs.resid_studentized_external, rel=1e-9)
    # Observation 21: -2.64 internally, -3.33 externally. [published widely; from memory and recomputed]
    assert (internal[20], external[20]) == (pytest.approx(-2.64, abs=5e-3), pytest.approx(-3.33, abs=5e-3))
