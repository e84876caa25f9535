"""What the service counts of itself, in the form that Prometheus collects; ``GET /metrics`` shows it."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter as Tally
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import accumulate
from time import perf_counter
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Gauge, Metric, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, HistogramMetricFamily
from prometheus_client.registry import Collector

from ..settings import Settings

SECONDS = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)
"""Upper ends of the classes that times of solves are counted in; what is longer has a class of its own."""
BOUNDS = [*map(str, SECONDS), "+Inf"]


class Solves:
    """Times of solves of one kind: how many in each class, and their sum."""

    def __init__(self) -> None:
        self.counts = [0] * len(BOUNDS)
        self.seconds = 0.0


class Solving:
    """Times one solve if it comes to an answer."""

    __slots__ = ("_solves", "_start")

    def __init__(self, solves: Solves) -> None:
        self._solves = solves

    def __enter__(self) -> None:
        self._start = perf_counter()

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            spent = perf_counter() - self._start
            self._solves.counts[bisect_left(SECONDS, spent)] += 1
            self._solves.seconds += spent


class _Found(Collector):
    """What somebody has found out, as the library asks for it."""

    def __init__(self, found: Iterable[Metric]) -> None:
        self._found = found

    def collect(self) -> Iterable[Metric]:
        """Return it."""
        return self._found


class Metrics:
    """The counters of one application; two in one process share nothing.

    Requests and solves are counted in plain numbers, by the event loop alone: the library's own counters take a lock
    each time, which is felt where a correction takes a fifth of a millisecond.
    """

    def __init__(self, settings: Settings) -> None:
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        self._requests = Tally[tuple[str, str, int]]()
        self._solves: dict[tuple[str, frozenset[Any]], Solves] = {}
        self._tallies = list[tuple[str, str, Callable[[], Mapping[str, int]]]]()
        self.registry.register(self)
        self._under_way = Gauge(
            "tramwright_work_under_way", "Work under way now that holds a place.", ["kind"], registry=self.registry
        )
        places = Gauge("tramwright_places", "Places for work at the same time.", ["kind"], registry=self.registry)
        for kind, most in (
            ("corrections", settings.concurrency),
            ("plans", settings.plans),
            ("questions", settings.questions),
            ("maps", settings.maps),
            ("batch", settings.batches),
            ("events", settings.streams),
        ):
            places.labels(kind).set(most)
        lines = Counter("tramwright_batch_lines", "Lines of batches by outcome.", ["outcome"], registry=self.registry)
        self._lines_answered, self._lines_refused = lines.labels("answered"), lines.labels("refused")
        self._deliveries = Counter(
            "tramwright_deliveries", "Events posted to webhooks by outcome.", ["outcome"], registry=self.registry
        )
        self._closed = Counter(
            "tramwright_connections_closed", "Connections closed by the service.", ["reason"], registry=self.registry
        )

    def collect(self) -> Iterator[Metric]:
        """Yield what is counted in plain numbers, as the library asks for it."""
        requests = CounterMetricFamily(
            "tramwright_requests", "Requests by route and status.", labels=["method", "route", "status"]
        )
        for (method, route, status), number in self._requests.items():
            requests.add_metric([method, route or "(none)", str(status)], number)
        yield requests
        solves = HistogramMetricFamily(
            "tramwright_solve_seconds",
            "Seconds from a request that was read to its answer, by kind of work and the solvers it names.",
            labels=["kind", "solvers"],
        )
        for (kind, types), one in self._solves.items():
            named = ",".join(sorted(solver.name() for solver in types)) or "(picked)"
            solves.add_metric([kind, named], list(zip(BOUNDS, accumulate(one.counts), strict=True)), one.seconds)
        yield solves
        for name, says, read in self._tallies:
            tally = CounterMetricFamily(name, says, labels=["outcome"])
            for outcome, number in read().items():
                tally.add_metric([outcome], number)
            yield tally

    def request(self, method: str, route: str, status: int) -> None:
        """Count one request; the route is its template, empty where there is none."""
        self._requests[method, route, status] += 1

    def solving(self, kind: str, request: Any) -> Solving:
        """Return what times one solve; the request may say which solvers it wants."""
        # neither the order in which solvers are named nor how often makes a kind of its own: those have no bound
        key = kind, frozenset(map(type, request.solve.with_)) if hasattr(request, "solve") else frozenset()
        known = self._solves.get(key)
        if known is None:
            known = self._solves[key] = Solves()
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

    def delivered(self, outcome: str) -> None:
        """Count an event posted to a webhook."""
        self._deliveries.labels(outcome).inc()

    def closed(self, reason: str) -> None:
        """Count a connection that the service closed of itself."""
        self._closed.labels(reason).inc()

    def watch(self, name: str, says: str, read: Callable[[], float]) -> None:
        """Show a number that somebody else keeps, read whenever the metrics are."""
        Gauge(name, says, registry=self.registry).set_function(read)

    def tally(self, name: str, says: str, read: Callable[[], Mapping[str, int]]) -> None:
        """Show numbers by outcome that somebody else counts, read whenever the metrics are."""
        self._tallies.append((name, says, read))

    def text(self, more: Iterable[Metric] = ()) -> bytes:
        """Return everything in the text format of Prometheus, and ``more`` that was found out just now."""
        return generate_latest(self.registry) + generate_latest(_Found(more))
