"""What the service counts of itself, in the form that Prometheus collects; ``GET /metrics`` shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import perf_counter
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, ProcessCollector, generate_latest

from ..settings import Settings

SECONDS = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)


class Solving:
    """Times one solve if it comes to an answer."""

    __slots__ = ("_histogram", "_start")

    def __init__(self, histogram: Histogram) -> None:
        self._histogram = histogram

    def __enter__(self) -> None:
        self._start = perf_counter()

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self._histogram.observe(perf_counter() - self._start)


class Metrics:
    """The counters of one application; two in one process share nothing."""

    def __init__(self, settings: Settings) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        self._requests = Counter(
            "tramwright_requests",
            "Requests by route and status.",
            ["method", "route", "status"],
            registry=self.registry,
        )
        # looking a label up by its text costs more than counting does
        self._answered: dict[tuple[str, str, int], Counter] = {}
        self._solvers: dict[tuple[str, tuple[Any, ...]], Histogram] = {}
        self._solves = Histogram(
            "tramwright_solve_seconds",
            "Seconds from a request that was read to its answer, by kind of work and the solvers it names.",
            ["kind", "solvers"],
            buckets=SECONDS,
            registry=self.registry,
        )
        self._under_way = Gauge(
            "tramwright_work_under_way", "Work under way now that holds a place.", ["kind"], registry=self.registry
        )
        places = Gauge("tramwright_places", "Places for work at the same time.", ["kind"], registry=self.registry)
        for kind, most in (
            ("corrections", settings.concurrency),
            ("plans", settings.plans),
            ("questions", settings.questions),
            ("batch", settings.batches),
        ):
            places.labels(kind).set(most)
        lines = Counter("tramwright_batch_lines", "Lines of batches by outcome.", ["outcome"], registry=self.registry)
        self._lines_answered, self._lines_refused = lines.labels("answered"), lines.labels("refused")
        self._closed = Counter(
            "tramwright_connections_closed", "Connections closed by the service.", ["reason"], registry=self.registry
        )

    def request(self, method: str, route: str, status: int) -> None:
        """Count one request; the route is its template, empty where there is none."""
        key = method, route, status
        if (counter := self._answered.get(key)) is None:
            counter = self._answered[key] = self._requests.labels(method, route or "(none)", str(status))
        counter.inc()

    def solving(self, kind: str, request: Any) -> Solving:
        """Return what times one solve; the request may say which solvers it wants."""
        named = request.solve.with_ if hasattr(request, "solve") else ()
        types: tuple[Any, ...] = tuple(map(type, named))
        key = kind, types
        if (known := self._solvers.get(key)) is None:
            solvers = ",".join(sorted({one.name() for one in types})) or "(picked)"
            known = self._solvers[key] = self._solves.labels(kind, solvers)
        return Solving(known)

    @contextmanager
    def under_way(self, kind: str) -> Iterator[None]:
        """Count work as under way until it ends."""
        gauge = self._under_way.labels(kind)
        gauge.inc()
        try:
            yield
        finally:
            gauge.dec()

    def lines(self, answered: int, refused: int) -> None:
        """Count lines of a batch."""
        self._lines_answered.inc(answered)
        self._lines_refused.inc(refused)

    def closed(self, reason: str) -> None:
        """Count a connection that the service closed of itself."""
        self._closed.labels(reason).inc()

    def watch(self, name: str, says: str, read: Callable[[], float]) -> None:
        """Show a number that somebody else keeps, read whenever the metrics are."""
        Gauge(name, says, registry=self.registry).set_function(read)

    def text(self) -> bytes:
        """Return everything in the text format of Prometheus."""
        return generate_latest(self.registry)
