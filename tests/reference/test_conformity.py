"""Conformity with a limit: probabilities of JCGM 106 and the decision rule of ISO 14253-1."""

import pytest
from scipy.stats import norm

from references import reference
from tramwright_solvers.model.units import K
from tramwright_solvers.uncertainty.conformity import conformance_probability, standing


@reference(
    "published",
    source="JCGM 106:2012, 7.3: y = -5.47, u = 0.05, upper limit -5.40: 0.919243 (from memory, recomputed)",
    proves="probability of conformity with one limit",
)
def test_jcgm_106_one_sided() -> None:
    assert conformance_probability(-5.47, 0.05, -5.40) == pytest.approx(0.919243, abs=5e-7)


@reference(
    "published",
    source="JCGM 106:2012, 7.4: limits 12.5 and 16.3, y = 13.6, u = 1.8 (inputs published): 0.66263 (recomputed)",
    proves="probability of conformity between two limits",
)
def test_jcgm_106_two_sided() -> None:
    inside = conformance_probability(13.6, 1.8, 16.3) - conformance_probability(13.6, 1.8, 12.5)
    assert inside == pytest.approx(0.66263, abs=5e-6)


@reference(
    "published",
    source="ISO 14253-1:2017: conformity is proven inside the limit reduced by the uncertainty, nonconformity outside "
    "the limit enlarged by it, neither between; default 95 % conformance probability, about 1.65 u on one side "
    "(from memory)",
    proves="the three standings of the verdict and where they change",
)
def test_iso_14253_zones() -> None:
    # Limit 0.1 mm, u 0.006 mm: the guard band is 1.65 u = 0.0099 mm.
    assert pytest.approx(1.65, abs=5.2e-3) == K
    assert standing(0.0900, 0.006, 0.1) == "within"
    assert standing(0.0903, 0.006, 0.1) == "undecided"
    assert standing(0.1000, 0.006, 0.1) == "undecided"
    assert standing(0.1097, 0.006, 0.1) == "undecided"
    assert standing(0.1100, 0.006, 0.1) == "outside"
    # At either edge the conformance, or nonconformance, probability is 95 %.
    assert conformance_probability(0.1 - K * 0.006, 0.006, 0.1) == pytest.approx(0.95, abs=1e-12)
    assert conformance_probability(0.1 + K * 0.006, 0.006, 0.1) == pytest.approx(0.05, abs=1e-12)


@reference(
    "library",
    packages=("scipy",),
    source="norm.cdf and norm.ppf of scipy.stats",
    proves="probability of conformity far into both tails, and the coverage factor",
)
def test_normal_distribution_of_a_library() -> None:
    assert pytest.approx(norm.ppf(0.95), rel=1e-15) == K
    for total in (0.02, 0.08, 0.1, 0.11, 0.14):
        expected = norm.cdf(0.1, loc=total, scale=0.006)
        assert conformance_probability(total, 0.006, 0.1) == pytest.approx(expected, rel=1e-11)
