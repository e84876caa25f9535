"""A client of a service with a store, and what it is told where something is refused."""

from __future__ import annotations

from typing import Any

from litestar.testing import TestClient

from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry

KESTREL = "/v1/machines/kestrel"
PATCH = {"content-type": "application/merge-patch+json"}
Client = TestClient[Any]


def serving(where: str, registry: Registry, **settings: Any) -> Client:
    own = Settings(log_level="error", store=where, **settings)
    return TestClient(create_app(own, registry), raise_server_exceptions=False)


def refused(answer: Any, status: int, kind: str) -> dict[str, Any]:
    """The problem of a refusal."""
    problem: dict[str, Any] = answer.json()
    assert (answer.status_code, problem["type"].rpartition("#")[2]) == (status, kind), answer.text
    return problem
