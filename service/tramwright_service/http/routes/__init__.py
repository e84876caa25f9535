"""The routes of the API: one module for each resource."""

from __future__ import annotations

from typing import Any

from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms.registry import Registry

from ...execution.metrics import Metrics
from ...execution.threads import Kinds
from ...settings import Settings
from . import batch, corrections, health, questions, solvers


def routes(
    registry: Registry,
    settings: Settings,
    workers: Kinds,
    engines: batch.Engines,
    metrics: Metrics,
    cache: GeometryCache,
) -> list[Any]:
    """Return every documented route, and ``/metrics``."""
    return [
        corrections.create(registry, settings, workers, metrics, cache),  # POST /v1/corrections
        batch.create(registry, settings, engines, metrics),  #       POST /v1/corrections/batch
        *questions.create(registry, settings, workers, metrics),  #  POST /v1/<question>, one for each row of the table
        *solvers.create(registry),  #                                GET  /v1/solvers, /v1/solvers/{name}
        *health.create(metrics),  #                                  GET  /health/live, /health/ready
    ]
