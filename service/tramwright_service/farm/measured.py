"""What the store tells of itself at ``/metrics``: how machines stand, the worst of them one by one."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client import Metric
from prometheus_client.core import GaugeMetricFamily

from ..wire.problems import RequestError
from ..wire.stored import STANDINGS, Fleet
from . import times
from .fleet import Filters, Standings
from .pages import Page


async def measured(standings: Standings, most: int) -> list[Metric]:
    """Return what is told of a store, by the read of the fleet: counts, and no more machines than ``most``.

    A store that cannot be read says that alone: whatever else is measured is shown all the same.
    """
    up = GaugeMetricFamily("tramwright_store_up", "Whether the store could be read just now.")
    try:
        fleet = await standings.fleet(Filters(), Page(max(most, 1)))
    except RequestError:
        up.add_metric([], 0.0)
        return [up]
    up.add_metric([], 1.0)
    return [up, *_families(fleet, most)]


def _families(fleet: Fleet, most: int) -> Iterator[Metric]:
    counts = GaugeMetricFamily("tramwright_machines", "Stored machines by standing.", labels=["standing"])
    for standing in STANDINGS:
        counts.add_metric([standing], getattr(fleet.counts, standing.replace("-", "_")))
    stands = GaugeMetricFamily(
        "tramwright_machine_standing", "1 for how a machine stands, the worst machines.", labels=["machine", "standing"]
    )
    total = GaugeMetricFamily(
        "tramwright_machine_total", "Total as last surveyed, in the machine's units.", labels=["machine", "units"]
    )
    limit = GaugeMetricFamily(
        "tramwright_machine_limit", "Limit of the total, in the machine's units.", labels=["machine", "units"]
    )
    taken = GaugeMetricFamily(
        "tramwright_machine_surveyed_timestamp_seconds", "When the last survey was taken.", labels=["machine"]
    )
    expected = GaugeMetricFamily(
        "tramwright_machine_limit_expected_timestamp_seconds",
        "When a machine that drifts is expected to pass its limit.",
        labels=["machine"],
    )
    for one in fleet.machines[:most]:
        stands.add_metric([one.id, one.standing], 1.0)
        if one.total is not None and one.limit is not None:
            total.add_metric([one.id, one.units], one.total)
            limit.add_metric([one.id, one.units], one.limit)
        if one.taken_at is not None and (at := times.read(one.taken_at)) is not None:
            taken.add_metric([one.id], at / 1e6)
        if one.drift is not None and (at := times.read(one.drift.at)) is not None:
            expected.add_metric([one.id], at / 1e6)
    yield from (counts, stands, total, limit, taken, expected)
