"""Clients of the whole service, in this process, without plug-ins: one that stores nothing, and one with a store."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from litestar.testing import TestClient

import stores
from farm_client import KESTREL, Client, serving
from farm_payloads import machine
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


# Of each module, and so before the services of one. After the client: that one does test itself.
@pytest.fixture(scope="module", autouse=True)
def _tested_already(client: TestClient[Any]) -> Iterator[None]:
    """Applications beside the session's own do not answer every example again before they begin."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("tramwright_service.http.app.self_test", lambda *_: None)
        yield


@pytest.fixture
def payload() -> dict[str, Any]:
    """A request that is right, to spoil at will."""
    return copy.deepcopy(examples.corrections()["tilted-bed"])


@pytest.fixture(scope="module", params=stores.KINDS)
def running(
    request: pytest.FixtureRequest, registry: Registry, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Client, str]]:
    """A service with a store, and where that is."""
    where = stores.fresh(request.param, tmp_path_factory.mktemp("farm"))
    with serving(where, registry) as client:
        yield client, where


@pytest.fixture
def farm(running: tuple[Client, str]) -> Client:
    """The service, its store emptied."""
    client, where = running
    stores.empty(where)
    return client


@pytest.fixture
def kestrel(farm: Client) -> Client:
    """The same with one machine in it."""
    assert farm.put(KESTREL, json=machine(site="hall 1", tags=["mill"], check_every=30)).status_code == 201
    return farm
