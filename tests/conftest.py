"""What all tests share: the examples, plug-ins kept out, and the profile of hypothesis."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import profiles  # noqa: F401 (loads the profile of hypothesis before any property is read)

# Tests run side by side, and so do processes that they start: one processor each. Read when numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

EXAMPLES = Path(__file__).parents[1] / "openapi" / "examples"


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
