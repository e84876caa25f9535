"""``/health/live`` and ``/health/ready``: for service managers and load balancers."""

from __future__ import annotations

from litestar import get
from litestar.datastructures import State
from litestar.handlers import HTTPRouteHandler

from ... import version
from ...wire import problems
from ...wire.problems import RequestError
from ...wire.requests import Health


def create() -> list[HTTPRouteHandler]:
    """Return the routes."""

    @get(
        "/health/live",
        operation_id="live",
        summary="Is the process alive?",
        response_description="The process runs.",
        tags=["health"],
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
        sync_to_thread=False,
    )
    def ready(state: State) -> Health:
        """Answer 200 once a shipped example has been solved at start-up, else 503 with the reason."""
        if fault := state.get("fault", "The service is starting."):
            raise RequestError(problems.NOT_READY, str(fault), headers={"Retry-After": "1"})
        return Health("ready", version())

    return [live, ready]
