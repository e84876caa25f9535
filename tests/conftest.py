"""What all tests share: the paths they import from, and runs of hypothesis that are the same every time."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

sys.path.insert(0, str(Path(__file__).parent))

EXAMPLES = Path(__file__).parents[1] / "openapi" / "examples"

# Derandomized: the same examples on every run, so that a failure belongs to the change and not to the day.
settings.register_profile(
    "ci", derandomize=True, max_examples=12, deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow]
)
# For a deliberate hunt: HYPOTHESIS_PROFILE=hunt pytest tests/properties
settings.register_profile("hunt", max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


@pytest.fixture(autouse=True)
def _no_plug_ins(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Entry points are off, whatever is installed beside us, unless a test is marked `plug_ins`."""
    from tramwright_solvers.mechanisms import registry

    registry.installed.cache_clear()
    if not request.node.get_closest_marker("plug_ins"):
        monkeypatch.setattr(registry, "entry_points", lambda **_: ())


@pytest.fixture(scope="session")
def examples() -> Path:
    """The folder of example payloads."""
    return EXAMPLES


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "plug_ins: let the solvers announced by entry points in")
    config.addinivalue_line("markers", "reference: label, source and what a check against the outside world proves")
