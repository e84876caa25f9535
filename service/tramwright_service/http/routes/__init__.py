"""The routes of the API: one module for each resource."""

from __future__ import annotations

from typing import Any

from tramwright_solvers.correction.cache import GeometryCache

from ...execution.gallery import Gallery
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.threads import Kinds
from ...settings import Settings
from . import batch, corrections, health, questions, solvers


def routes(
    plug_ins: PlugIns,
    settings: Settings,
    workers: Kinds,
    engines: batch.Engines,
    metrics: Metrics,
    cache: GeometryCache,
    gallery: Gallery,
) -> list[Any]:
    """Return every documented route, and ``/metrics``."""
    return [
        corrections.create(plug_ins, settings, workers, metrics, cache, gallery),  # POST /v1/corrections
        batch.create(settings, engines, metrics),  #                 POST /v1/corrections/batch
        *questions.create(plug_ins, settings, workers, metrics, gallery),  # POST /v1/<question>, one for each row
        *solvers.create(plug_ins),  #                                GET  /v1/solvers, /v1/solvers/{name}
        *health.create(metrics),  #                                  GET  /health/live, /health/ready
    ]
