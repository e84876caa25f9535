"""``/health/live``, ``/health/ready`` and ``/metrics``: for service managers, load balancers and monitoring."""

from __future__ import annotations

from typing import TYPE_CHECKING

from litestar import Response, get
from litestar.datastructures import State
from litestar.handlers import HTTPRouteHandler
from prometheus_client import CONTENT_TYPE_LATEST

from ... import version
from ...execution.metrics import Metrics
from ...settings import Settings
from ...wire import problems
from ...wire.problems import RequestError
from ...wire.requests import Health
from ..access import OPEN, READ

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

TEXT_FORMAT = CONTENT_TYPE_LATEST.partition("; charset")[0]
"""The framework adds the charset itself."""


def create(metrics: Metrics, settings: Settings, farm: Farm | None) -> list[HTTPRouteHandler]:
    """Return the routes, for one store or none."""

    @get(
        "/health/live",
        operation_id="live",
        summary="Is the process alive?",
        response_description="The process runs.",
        tags=["health"],
        opt=OPEN,
        sync_to_thread=False,
    )
    def live() -> Health:
        """Answer as long as the process runs."""
        return Health("live", version())

    @get(
        "/health/ready",
        operation_id="ready",
        summary="Can it answer surveys?",
        response_description="It has solved an example and takes requests.",
        tags=["health"],
        opt=OPEN,
        sync_to_thread=False,
    )
    def ready(state: State) -> Health:
        """Answer 200 once a shipped example has been solved at start-up, else 503 with the reason."""
        if fault := state.get("fault", "The service is starting."):
            raise RequestError(problems.NOT_READY, str(fault), headers={"Retry-After": "1"})
        return Health("ready", version())

    @get("/metrics", include_in_schema=False, opt=READ)
    async def measured() -> Response[bytes]:
        found = () if farm is None else await farm.measured(settings.metrics_machines)
        return Response(metrics.text(found), media_type=TEXT_FORMAT, headers={"cache-control": "no-store"})

    return [live, ready, measured]
