"""The adjusters of a mechanism with everything that the machine's description says of each.

Whoever wrote the mechanism, what a support or seat carries reaches the adjustment: its bounds, step, error of setting,
effort, screw, and the shims of a seat. A mechanism may narrow bounds and state a step or an error of its own; what the
user gives as effort always counts.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from msgspec.structs import replace

from ..model.contract import Adjuster, Mechanism
from ..model.errors import OPTIONS, Refused, in_request
from ..model.machine import Machine, Seat, Support
from .rail_shim import seat_adjuster

SUPPORTS, SEATS = "/machine/supports", "/machine/rails/seats"


def adjusters_of(machine: Machine, mechanism: Mechanism, entry: str = "/solve/with") -> tuple[Adjuster, ...]:
    """Return the adjusters of a mechanism whose options stand at ``entry`` in the request.

    Raises:
        Refused: the machine lacks something this mechanism needs.
    """
    try:
        own = mechanism.adjusters(machine)
    except Refused as refused:
        raise refused.told_from(entry) from refused
    return tuple([_completed(machine, one, entry) for one in own])


def _completed(machine: Machine, adjuster: Adjuster, entry: str) -> Adjuster:
    """Return an adjuster with what is said of it where its pointer leads."""
    pointer, supports, rails = adjuster.pointer, machine.supports, machine.rails
    where, index = _place(pointer)
    if where == SUPPORTS and 0 <= index < len(supports):
        support = supports[index]
        changes = _said(adjuster, support)
        if support.screw is not None and adjuster.screw is None and adjuster.scale is None:
            changes["screw"] = support.screw
    elif where == SEATS and rails is not None and 0 <= index < len(rails.seats):
        seat = rails.seats[index]
        changes = _said(adjuster, seat)
        if seat.method == "shim" and adjuster.stock is None:
            shimmed = seat_adjuster(rails, seat, index)
            names = ("stock", "fitted", "largest_stack", "pool", "slackens")
            changes |= {name: getattr(shimmed, name) for name in names}
            changes["lower"] = max(changes.get("lower", adjuster.lower), shimmed.lower)
    elif pointer.startswith(OPTIONS):
        changes = {"pointer": in_request(pointer, entry)}
    else:
        changes = {}
    return replace(adjuster, **changes) if changes else adjuster


@lru_cache(1024)
def _place(pointer: str) -> tuple[str, int]:
    """Return where a pointer leads to, and the number there; -1 where it is none."""
    where, _, number = pointer.rpartition("/")
    return where, int(number) if number.isdigit() else -1


def _said(adjuster: Adjuster, place: Support | Seat) -> dict[str, Any]:
    """Return what differs from what the user says of a support or seat."""
    changes = dict[str, Any]()
    if place.travel is None and place.effort is None and place.step is None and place.setting is None:
        return changes
    if place.travel is not None:
        lower, upper = max(adjuster.lower, place.travel[0]), min(adjuster.upper, place.travel[1])
        if (lower, upper) != (adjuster.lower, adjuster.upper):
            changes |= {"lower": lower, "upper": upper}
    if place.effort is not None and place.effort != adjuster.effort:
        changes["effort"] = place.effort
    for name in ("step", "setting"):
        if getattr(adjuster, name) is None and getattr(place, name) is not None:
            changes[name] = getattr(place, name)
    return changes
