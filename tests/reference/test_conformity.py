"""Probability of conformity against the worked examples of JCGM 106:2012."""

import pytest

from tramwright_solvers.verdict import conformance_probability


def test_jcgm_106_one_sided():
    # JCGM 106:2012, 7.3: y = -5.47, u = 0.05, upper limit -5.40: 0.919243 (from memory, recomputed)
    assert conformance_probability(-5.47, 0.05, -5.40) == pytest.approx(0.919243, abs=5e-7)


def test_jcgm_106_two_sided():
    # JCGM 106:2012, 7.4: limits 12.5 and 16.3, y = 13.6, u = 1.8 (published inputs): 0.66263 (recomputed)
    inside = conformance_probability(13.6, 1.8, 16.3) - conformance_probability(13.6, 1.8, 12.5)
    assert inside == pytest.approx(0.66263, abs=5e-6)
