"""The routes of the API: one module for each resource."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ...catalogue.endpoints import QUESTIONS
from ...execution.corrections import Corrections
from ...execution.gallery import Gallery
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.questions import Answerer
from ...execution.threads import Kinds
from ...settings import Settings
from . import (
    batch,
    corrections,
    events,
    fleet,
    health,
    history,
    machines,
    questions,
    solvers,
    surveys,
    thumbnails,
    webhooks,
)

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm


def routes(
    plug_ins: PlugIns,
    settings: Settings,
    workers: Kinds,
    engines: batch.Engines,
    metrics: Metrics,
    solver: Corrections,
    gallery: Gallery,
    farm: Farm | None,
) -> list[Any]:
    """Return every documented route, and ``/metrics``."""
    corrected = corrections.answers(solver, gallery)
    answered = {
        question.name: questions.answers(Answerer(question, plug_ins, settings, workers, metrics), gallery)
        for question in QUESTIONS
    }
    return [
        corrections.create(corrected, settings),  #                  POST /v1/corrections
        batch.create(settings, engines, metrics, farm),  #           POST /v1/corrections/batch
        *(questions.create(one, answered[one.name], settings) for one in QUESTIONS),  # POST /v1/<question>
        *solvers.create(plug_ins),  #                                GET  /v1/solvers, /v1/solvers/{name}
        *machines.create(plug_ins, settings, farm),  #               /v1/machines/{machine}
        *surveys.create(plug_ins.registry, settings, farm, corrected, answered["comparisons"]),  # …/surveys, …/notes
        thumbnails.create(farm, corrected, gallery),  #              …/surveys/{number}/thumbnail
        *fleet.create(farm),  #                                      GET  /v1/fleet, /v1/machines, …/standing
        *history.create(farm),  #                                    GET  /v1/machines/{machine}/history
        events.create(settings, metrics, farm),  #                   GET  /v1/events
        *webhooks.create(plug_ins.registry, settings, farm),  #      /v1/webhooks
        *health.create(metrics, settings, farm),  #                  GET  /health/live, /health/ready
    ]
