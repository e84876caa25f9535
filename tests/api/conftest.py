"""A client of the whole service, in this process, without plug-ins."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from litestar.testing import TestClient

from tramwright_service.catalogue import examples
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import Registry, build

CORRECTIONS = "/v1/corrections"
Edit = Callable[[dict[str, Any]], None]


@pytest.fixture(scope="session")
def registry() -> Registry:
    return build(BUILT_IN)


@pytest.fixture(scope="session")
def client(registry: Registry) -> Iterator[TestClient[Any]]:
    # Exceptions are answered as they are in service; a 500 must show as a 500.
    with TestClient(create_app(Settings(log_level="error"), registry), raise_server_exceptions=False) as client:
        yield client


@pytest.fixture(autouse=True)
def _tested_already(monkeypatch: pytest.MonkeyPatch) -> None:
    """Applications beside the session's own do not answer every example again before they begin."""
    monkeypatch.setattr("tramwright_service.http.app.self_test", lambda *_: None)


@pytest.fixture
def payload() -> dict[str, Any]:
    """A request that is right, to spoil at will."""
    return copy.deepcopy(examples.corrections()["tilted-bed"])
