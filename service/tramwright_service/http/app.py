"""The application: routes, problems, the request log and what happens at start and end."""

from __future__ import annotations

import asyncio
import gc
import os
import sys
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Any

import msgspec
import structlog
from litestar import Litestar, Request, Response, route
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp, Receive, Send

from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms.plug_ins.described import Announced
from tramwright_solvers.mechanisms.registry import Registry, announced_here, installed
from tramwright_solvers.model.deadline import NEVER
from tramwright_solvers.model.errors import PlugInFault

from ..catalogue import examples
from ..catalogue.endpoints import QUESTIONS, Question
from ..execution.corrections import Corrections
from ..execution.gallery import Gallery
from ..execution.metrics import Metrics
from ..execution.plug_ins.hosts import PlugIns
from ..execution.request_log import configure
from ..execution.threads import kinds
from ..settings import Settings, from_environment
from ..wire import problems
from ..wire.decode import Decoder
from ..wire.media_types import JSON
from ..wire.plain import plain
from ..wire.problems import RequestError
from ..wire.requests import CorrectionRequest, correction_request
from . import bench, docs
from .access import OPEN, Access, Local, needed
from .documents import DIRECT
from .exchange import ID, cross_origin, exchange
from .routes import routes
from .routes.batch import Engines

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ..farm.farm import Farm

SWITCHES = 0.0005
"""Seconds after which a thread with a long solve lets others on: a tenth of the usual, as quick answers wait for it."""


def create_app(
    settings: Settings | None = None,
    registry: Registry | None = None,
    metrics: Metrics | None = None,
    plug_ins: Sequence[Announced] | None = None,
) -> Litestar:
    """Return the application, once the plug-ins have been tested.

    Args:
        settings: defaults to what the environment says.
        registry: solvers that run in this process; defaults to the built-in ones.
        metrics: what is counted, where the server counts as well.
        plug_ins: solvers that run in processes of their own; defaults to those installed, where no registry is given.

    Raises:
        ValueError: the environment holds a setting that is wrong, or keys are asked for and there is no store for them.
    """
    settings = settings if settings is not None else from_environment(os.environ)
    if plug_ins is None:
        plug_ins = announced_here() if registry is None else ()
    guests = PlugIns.found(plug_ins, installed(with_plug_ins=False) if registry is None else registry, settings)
    registry = guests.registry
    metrics = metrics or Metrics(settings)
    workers = kinds(settings)
    engines = Engines(guests, settings)
    gallery = Gallery(workers.maps, settings.map_cache, metrics)
    cache = GeometryCache(settings.cache)
    solver = Corrections(guests, settings, workers, metrics, cache)
    farm = stored(solver, settings, metrics)
    metrics.watch("tramwright_cache_bytes", "Bytes of prepared geometries kept by this process.", lambda: cache.nbytes)
    metrics.tally(
        "tramwright_cache_geometries",
        "Geometries asked of the cache of this process.",
        lambda: {"found": cache.found, "prepared": cache.prepared},
    )
    configure(settings.log_level)

    @asynccontextmanager
    async def lifespan(app: Litestar) -> AsyncIterator[None]:
        if farm is not None:
            await farm.open()
        app.state.fault = self_test(registry.built_in(), cache)  # a plug-in's fault is no fault of the service
        # What is loaded by now stays for good: the collector need not look through it again with every answer.
        gc.collect()
        gc.freeze()
        # Answers are made of many short-lived objects without cycles: look for cycles less often than by default.
        gc.set_threshold(50_000, 20, 20)
        switches = sys.getswitchinterval()
        sys.setswitchinterval(SWITCHES)
        yield
        sys.setswitchinterval(switches)
        gc.unfreeze()
        workers.close()
        await engines.close()
        if farm is not None:
            await farm.close()
        await asyncio.to_thread(guests.close)

    handlers = routes(guests, settings, workers, engines, metrics, solver, gallery, farm)
    handlers += [*docs.create(registry, settings), *bench.create(registry, settings)]
    scopes = {one: needed(one) for one in handlers}
    access = Access(farm.keys, settings.rate) if farm is not None and settings.access == "keys" else None
    # what stores nothing has nothing to be read
    door = Local() if farm is not None and settings.access == "local" else access
    app = Litestar(
        route_handlers=[*options(handlers), *handlers],
        guards=[door.guard] if door else [],
        lifespan=[lifespan],
        exception_handlers={Exception: answer_problem},
        openapi_config=None,
        logging_config=None,
        cors_config=cross_origin(settings.origins),
    )
    direct = {
        path: _told(door.guarded(one.opt[DIRECT], scopes[one]) if door else one.opt[DIRECT])
        for one in handlers
        if DIRECT in one.opt
        for path in one.paths
    }
    app.asgi_handler = exchange(_of_whole_names(app.asgi_handler), direct, settings, metrics, access)
    return app


def options(handlers: Sequence[HTTPRouteHandler]) -> list[HTTPRouteHandler]:
    """Return what answers OPTIONS on each path; the framework names those of its first route alone."""
    applying = defaultdict[str, set[str]](lambda: {"OPTIONS"})
    for one in handlers:
        for path in one.paths:
            applying[path] |= one.http_methods | ({"HEAD"} if "GET" in one.http_methods else set())

    def telling(path: str, methods: str) -> HTTPRouteHandler:
        @route(path, http_method=["OPTIONS"], status_code=204, include_in_schema=False, sync_to_thread=False, opt=OPEN)
        def tell() -> Response[None]:
            return Response(None, headers={"allow": methods})

        return tell

    return [telling(path, ", ".join(sorted(methods))) for path, methods in applying.items()]


def stored(solver: Corrections, settings: Settings, metrics: Metrics) -> Farm | None:
    """Return the stored farm, None without a store: then nothing that a store needs is loaded.

    Raises:
        ValueError: keys are asked for, and there is none to keep them.
    """
    if settings.store == "none":
        if settings.access == "keys":
            raise ValueError("Keys are kept in a store: set TRAMWRIGHT_STORE, or TRAMWRIGHT_ACCESS to anyone.")
        return None
    from ..farm.farm import Farm

    return Farm(settings, solver, metrics)


def self_test(registry: Registry, cache: GeometryCache) -> str | None:
    """Answer shipped examples, so that the first client waits for no import; return what failed, if any.

    Of every other question one is enough: a second plan loads nothing that the first did not, and takes half a second.
    """
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)
    tasks: list[tuple[str, object, Decoder[Any], Callable[[Any], object]]] = [
        (name, payload, decoder, lambda asked: correct(asked.machine, asked.survey, asked.solve, registry, cache))
        for name, payload in examples.corrections().items()
    ]
    for question in QUESTIONS:
        reader: Decoder[Any] = Decoder(question.request(registry), registry)
        answer = partial(_ask, question, registry)
        first = islice(examples.of(question.name).items(), 1)
        tasks += [(name, payload, reader, answer) for name, payload in first]
    for name, payload, reads, answers in tasks:
        try:
            answers(reads.decode(msgspec.json.encode(payload), JSON.encode()))
        except Exception as error:  # whatever it is, the service must live to say so
            structlog.get_logger("start").error("self-test failed", example=name, exc_info=error)
            return f"The example `{name}` could not be solved at start-up; the log says why."
    return None


def _ask(question: Question, registry: Registry, asked: object) -> object:
    return question.solve(asked, registry, NEVER)


def _told(app: ASGIApp) -> ASGIApp:
    """Return an application whose exceptions are answered as the framework answers those of its routes."""

    async def answered(scope: Any, receive: Receive, send: Send) -> None:
        try:
            await app(scope, receive, send)
        except Exception as error:
            request: Request[Any, Any, Any] = Request(scope)
            answer = answer_problem(request, error).to_asgi_response(app=None, request=request)
            await answer(scope, receive, send)

    return answered


def _of_whole_names(app: ASGIApp) -> ASGIApp:
    """Return an application that finds nothing where a name in a path holds a slash.

    Decoded, it parts the path like any other, and what is asked for would be another machine, or part of one.
    """

    async def nothing(scope: Any, receive: Receive, send: Send) -> None:
        raise RequestError(problems.NOT_FOUND, "Nothing here has a name with a slash, written as `%2F` in a path.")

    refused = _told(nothing)

    async def asked(scope: Any, receive: Receive, send: Send) -> None:
        found = refused if b"%2f" in (scope.get("raw_path") or b"").lower() else app
        await found(scope, receive, send)

    return asked


def answer_problem(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """Answer any exception as a problem; a failure of the service itself (status 500) is logged with its traceback."""
    scope: Any = request.scope  # the framework knows nothing of what exchange.py puts there
    request_id = scope[ID]
    problem = msgspec.structs.replace(problems.describe(error), request_id=request_id)
    if problem.status >= 500 and problem.status != 503:
        log, told = structlog.get_logger("request"), {"path": scope["path"], "request_id": request_id}
        if isinstance(error, PlugInFault | problems.Told):  # its own process has logged where in it
            log.error("plug-in failed", says=problem.detail, **told)
        else:
            log.error("failed", exc_info=error, **told)
    return Response(
        plain(msgspec.json.encode(problem).decode()).encode(),
        status_code=problem.status,
        media_type=problems.MEDIA_TYPE,
        headers=problems.headers(error),
    )
