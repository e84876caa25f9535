"""The warning of a drift and the next check, as the standing of a machine and its history have them."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

Why = Literal["drift", "no-drift", "close", "check-interval", "changed", "moved-since", "outside", "too-few"]
When = Annotated[str, Meta(description="RFC 3339, UTC.")]
Earliest = Annotated[
    str,
    Meta(description="With at least 95 % confidence it is to be expected between this (RFC 3339, UTC) and `latest`."),
]
Latest = Annotated[
    str | None, Meta(description="End of that interval: RFC 3339, UTC; null where it may never come to it.")
]


class DriftWarning(Struct, frozen=True):
    """The limit will be passed if the drift goes on as it is."""

    term: Annotated[str, Meta(description="The term that drives the total towards its limit, or `total`.")]
    since: Annotated[When, Meta(description="Taking of the first survey since which it may well drift: RFC 3339, UTC.")]
    rate_per_day: Annotated[float, Meta(description="How fast that term moves, in `units` a day.")]
    at: Annotated[When, Meta(description="When the total is expected to pass the limit: RFC 3339, UTC.")]
    earliest: Earliest
    latest: Latest


class NextCheck(Struct, frozen=True):
    """When the machine is to be surveyed next."""

    at: Annotated[
        str | None, Meta(description="RFC 3339, UTC; in the past where it is due. Null where it cannot be told.")
    ]
    days: Annotated[float | None, Meta(description="Days from the last survey to that time; null where it is.")]
    why: Annotated[
        Why,
        Meta(
            description="`drift`: before the limit may be passed. `no-drift`: before a drift too slow to be seen could "
            "pass it. `close`: it may have passed it already. `check-interval`: its `check_every` is over by then, or "
            "its description was changed. `changed`: it jumped. `moved-since`: "
            "nothing was read since it was moved. `outside`: it is outside. `too-few`: it cannot be told."
        ),
    ]
    reason: Annotated[str, Meta(description="The same in a sentence.")]
