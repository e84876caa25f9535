"""Surveys adjusted together, against the same model written out with its whole covariance matrix. All data invented."""

from __future__ import annotations

import numpy as np
import pytest

from tramwright_solvers.diagnostics.form_terms import term_columns
from tramwright_solvers.model.machine import Bed, Machine
from tramwright_solvers.model.survey import Reading, Survey
from tramwright_solvers.multisurvey.joint_adjustment import fit_terms, form_variance, join_surveys
from tramwright_solvers.multisurvey.reduction import ReducedSurvey, reduced

BED = Bed((0.0, 400.0), (0.0, 300.0))
MACHINE = Machine(bed=BED, id="redshank-03")


def survey(seed: int, points: np.ndarray) -> Survey:
    """Two set-ups that share three stations, so that the zero of the second is a common error."""
    rng, half = np.random.default_rng(seed), len(points) // 2
    readings = [Reading(x, y, float(rng.normal(0.0, 0.05)), "A") for x, y in points[: half + 3].tolist()]
    readings += [Reading(x, y, [float(v) for v in rng.normal(0.0, 0.05, 2)], "B") for x, y in points[half:].tolist()]
    return Survey(readings)


def surveys() -> list[ReducedSurvey]:
    rng = np.random.default_rng(8)
    points = np.round(rng.uniform([0.0, 0.0], [400.0, 300.0], (24, 2)), 1)
    return [reduced(MACHINE, survey(1, points[:18])), reduced(MACHINE, survey(2, points[6:]))]


def dense(parts: list[ReducedSurvey], form: float, common: bool) -> np.ndarray:
    """Covariance of all gaps, one under the other, station by station and pair by pair."""
    points = np.concatenate([part.points for part in parts])
    which = np.repeat([0, 1], [len(part.points) for part in parts])
    indication = np.concatenate([part.indication for part in parts])
    covariance = np.zeros((len(points), len(points)))
    for i in range(len(points)):
        for j in range(len(points)):
            if (points[i] == points[j]).all():
                covariance[i, j] += form
                if common and i != j:
                    covariance[i, j] += min(indication[i], indication[j])
    for k, part in enumerate(parts):
        own = np.flatnonzero(which == k)
        covariance[np.ix_(own, own)] += np.diag(part.variance) + part.factors @ part.factors.T
    return covariance


@pytest.mark.parametrize("errors", ["independent", "common"])
def test_fit_is_that_of_generalized_least_squares_with_the_whole_covariance(errors: str) -> None:
    parts = surveys()
    form = form_variance(BED, parts)
    assert form > 0.0
    joint = join_surveys(BED, parts, errors, zeros=True)
    late = (joint.survey == 1)[:, None]
    shapes = term_columns(BED, joint.points)
    wanted = shapes[:, 1:] * late
    found = fit_terms(joint, wanted)

    covariance = dense(parts, form, errors == "common")
    design = np.concatenate([wanted, shapes, late], axis=1)
    inverse = np.linalg.inv(covariance)
    normal = np.linalg.inv(design.T @ inverse @ design)
    values = normal @ design.T @ inverse @ joint.gaps
    left = joint.gaps - design @ values
    np.testing.assert_allclose(found.values, values[:5], rtol=1e-8, atol=1e-12)
    np.testing.assert_allclose(found.covariance, normal[:5, :5], rtol=1e-8, atol=1e-14)
    assert found.rest == pytest.approx(left @ inverse @ left, rel=1e-8)
    assert (found.dof, found.rank) == (len(joint.gaps) - 12, 5)


def test_within_stations_is_least_squares_on_the_differences_of_shared_stations() -> None:
    parts = surveys()
    joint = join_surveys(BED, parts, "independent", zeros=True)
    late = (joint.survey == 1)[:, None]
    found = fit_terms(joint.within(), term_columns(BED, joint.points)[:, 1:] * late)

    shared = [(i, j) for i, p in enumerate(parts[0].points) for j, q in enumerate(parts[1].points) if (p == q).all()]
    before, after = np.array(shared).T
    difference = parts[1].gaps[after] - parts[0].gaps[before]
    covariance = sum(
        np.diag(part.variance[own]) + part.factors[own] @ part.factors[own].T
        for part, own in zip(parts, (before, after), strict=True)
    )
    design = term_columns(BED, parts[1].points[after])
    inverse = np.linalg.inv(covariance)
    normal = np.linalg.inv(design.T @ inverse @ design)
    values = normal @ design.T @ inverse @ difference
    left = difference - design @ values
    np.testing.assert_allclose(found.values, values[1:], rtol=1e-7, atol=1e-11)
    np.testing.assert_allclose(found.covariance, normal[1:, 1:], rtol=1e-7, atol=1e-13)
    assert found.rest == pytest.approx(left @ inverse @ left, rel=1e-7)
    assert found.dof == len(shared) - 6


def test_variance_of_a_combination_is_that_of_the_whole_covariance() -> None:
    parts = surveys()
    row = np.random.default_rng(3).normal(size=sum(len(part.points) for part in parts))
    for errors in ("independent", "common"):
        joint = join_surveys(BED, parts, errors, zeros=True)
        expected = row @ dense(parts, 0.0, errors == "common") @ row
        assert joint.variance_of(row) == pytest.approx(expected, rel=1e-10)


def test_form_between_stations_is_estimated_without_bias() -> None:
    # derived: method of moments; the mean over many surveys of white form of deviation 0.02 is 0.02 squared
    rng = np.random.default_rng(4)
    points = np.array([(x, y) for x in (10.0, 130.0, 260.0, 390.0) for y in (10.0, 100.0, 200.0, 290.0)])
    sigma = 0.01
    found = []
    for _ in range(400):
        gaps = rng.normal(0.0, 0.02, len(points)) + rng.normal(0.0, sigma, len(points))
        whole = np.full(len(points), sigma**2)
        found.append(form_variance(BED, [ReducedSurvey(points, gaps, whole, whole, np.zeros((len(points), 0)))]))
    # ten degrees of freedom each: the standard deviation of the mean is 0.0005 * sqrt(2 / 10 / 400) = 1.1e-5
    assert np.mean(found) == pytest.approx(0.02**2, abs=4.5e-5)


def test_least_effort_decides_what_is_not_seen() -> None:
    parts = surveys()
    joint = join_surveys(BED, parts, "independent", zeros=True)
    late = (joint.survey == 1)[:, None]
    column = term_columns(BED, joint.points)[:, 1:2] * late
    single = fit_terms(joint, column)
    # twice the same column: of a + b = s the least of (1 a)^2 + (2 b)^2 is a = 4/5 s, b = 1/5 s
    double = fit_terms(joint, np.concatenate([column, column], axis=1), np.array([1.0, 2.0]))
    np.testing.assert_allclose(double.values, single.values * [0.8, 0.2], rtol=1e-9)
    np.testing.assert_allclose(double.u, single.u * [0.8, 0.2], rtol=1e-9)
    assert double.rank == 1
    assert double.unseen.all()
    assert not single.unseen.any()
