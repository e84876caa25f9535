"""Checks of a mechanism's mathematics, which need no reference values."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np
from msgspec.structs import replace

from ..mechanisms.transforms import LENGTHS, moved, scaled, shifted
from ..model.contract import Floats, Mechanism, Move, Site
from ..model.machine import Machine
from ..model.units import MM_PER_INCH
from .case import EXACT, Case, allowed, unequal

DIFFERENCE = 1e-6
"""Agreement of influence with central differences; a finite rotation differs by about (STEP)² = 1e-8."""

USUAL, BENT = 10.0, 0.01
"""Travels of a usual correction in steps of the differences, and the share by which a linear mechanism may miss them: a
kinematic mount, whose rotations are finite, does so by a thousandth. Our own choice."""

FINER = (1.0, 0.1, 0.01, 0.001)
"""Shares of STEP that are tried: an adjuster may be ten thousand times smaller than the bed."""


def shape(case: Case) -> Iterator[str]:
    """Influence is a finite float64 array (n_points, n_adjusters), for one point and for none as well."""
    count = len(case.mechanism.adjusters(case.machine))
    for points in (case.points, case.points[:1], case.points[:0]):
        influence = case.mechanism.influence(Site(case.machine, points.copy()))
        if influence.shape != (len(points), count) or influence.dtype != np.float64:
            yield f"influence is {influence.dtype} {influence.shape}, not float64 {(len(points), count)}"
        elif not np.all(np.isfinite(influence)):
            yield "influence is not finite everywhere"


def zero(case: Case) -> Iterator[str]:
    """Zero travel gives zero change of gap."""
    change = case.gap_change(np.zeros(len(case.mechanism.adjusters(case.machine))))
    if change.shape != (len(case.points),):
        yield f"gap_change has shape {change.shape}, not {(len(case.points),)}"
    elif not np.all(np.abs(change) <= EXACT * case.size):
        yield f"at zero travel the gap changes by {np.max(np.abs(change)):.3g}"


def differences(case: Case) -> Iterator[str]:
    """Influence is the derivative of gap_change, along every direction that equations among the travels allow."""
    influence = case.influence()
    directions = allowed(case.mechanism.conditions(case.machine), influence.shape[1])
    for direction in directions.T:
        # The error of a difference falls with the step, a wrong derivative stays: a small mechanism wants small steps.
        worst = min(disagreement(case, influence, direction, case.small_step() * share) for share in FINER)
        if not worst <= DIFFERENCE * (1.0 + np.max(np.abs(influence))):
            yield f"along travels {np.round(direction, 3).tolist()} influence and differences disagree by {worst:.3g}"


def linear(case: Case) -> Iterator[str]:
    """What says that it is linear is so for the travels of a usual correction."""
    if not case.mechanism.linear:
        return
    influence = case.influence()
    for direction in allowed(case.mechanism.conditions(case.machine), influence.shape[1]).T:
        travels = USUAL * case.small_step() * direction
        linear = influence @ travels
        off = np.max(np.abs(case.gap_change(travels) - linear), initial=0.0)
        if not off <= BENT * np.max(np.abs(linear), initial=0.0):
            yield (
                f"for travels {np.round(travels, 4).tolist()} gap_change differs from influence × travel by {off:.3g}; "
                "declare `linear: ClassVar[bool] = False`"
            )


def disagreement(case: Case, influence: Floats, direction: Floats, step: float) -> float:
    """Return the largest difference between influence and central differences along a direction of travel."""
    up, down = case.gap_change(step * direction), case.gap_change(-step * direction)
    return float(np.max(np.abs((up - down) / (2.0 * step) - influence @ direction)))


def unity(case: Case) -> Iterator[str]:
    """Where every support moves freely, raising all by one raises the gap by one everywhere."""
    listed = case.mechanism.adjusters(case.machine)
    all_supports = len(listed) == len(case.machine.supports) and all(one.kind == "support" for one in listed)
    if not all_supports or case.mechanism.conditions(case.machine) is not None:
        return
    worst = np.max(np.abs(case.influence().sum(axis=1) - 1.0))
    if not worst <= EXACT * (1.0 + np.max(np.abs(case.influence()))):
        yield f"the supports' influences do not sum to one: off by {worst:.3g}"


def origin(case: Case) -> Iterator[str]:
    """Influence does not depend on the origin of the machine frame."""
    shift = np.array([0.37, -0.61]) * case.size
    by = {name: float(shift["xy".index(axis)]) for name, axis in case.places.items()}
    machine = replace(shifted(case.machine, shift), extras=moved(case.machine.extras, by))
    mechanism = msgspec.convert(moved(msgspec.to_builtins(case.mechanism), by), type(case.mechanism))
    says = "shifting the origin changes the {} (an option or extra that is a position must be named in `places`)"
    yield from other_frame(case, mechanism, machine, case.points + shift, 1.0, says)


def unit(case: Case) -> Iterator[str]:
    """The same machine in the other unit has the same influence, which is dimensionless."""
    factor = 1.0 / MM_PER_INCH if case.machine.units == "mm" else MM_PER_INCH
    other = msgspec.to_builtins(case.machine)
    other = scaled(other | {"extras": {}}, factor, LENGTHS) | {
        "units": "inch" if case.machine.units == "mm" else "mm",
        "extras": scaled(case.machine.extras, factor, case.lengths),
    }
    named = scaled(msgspec.to_builtins(case.mechanism), factor, case.lengths)
    mechanism = msgspec.convert(named, type(case.mechanism))
    says = "the other unit changes the {} (an option or extra that is a length must be named in `lengths`)"
    yield from other_frame(case, mechanism, msgspec.convert(other, Machine), case.points * factor, factor, says)


def other_frame(
    case: Case, mechanism: Mechanism, machine: Machine, points: Floats, factor: float, says: str
) -> Iterator[str]:
    """Compare influence, exact change and known shape where the same machine is described in another way."""
    site = Site(machine, points)
    yield from unequal(mechanism.influence(site), case.influence(), says.format("influence"))
    if not case.mechanism.linear:
        travels = np.full(len(case.adjusters()), case.small_step())
        exact = mechanism.gap_change(Move(machine, points, factor * travels)) / factor
        yield from unequal(exact, case.gap_change(travels), says.format("exact change of gap"))
    known = case.mechanism.known_shape(Site(case.machine, case.points.copy()))
    if known is not None and (other := mechanism.known_shape(site)) is not None:
        yield from unequal(other.gap / factor, known.gap, says.format("known shape"))


def order(case: Case) -> Iterator[str]:
    """Each row belongs to its point, whichever other points are asked for and in which order."""
    rows = np.arange(len(case.points))[::-1]
    turned = case.mechanism.influence(Site(case.machine, case.points[rows].copy()))
    yield from unequal(turned, case.influence()[rows], "another order of points changes the rows")
    alone = case.mechanism.influence(Site(case.machine, case.points[3:4].copy()))
    yield from unequal(alone, case.influence()[3:4], "a point asked for alone has another row")


def determinism(case: Case) -> Iterator[str]:
    """The same inputs give the same bits, also from a fresh copy of the mechanism."""
    fresh = msgspec.json.decode(msgspec.json.encode(case.mechanism), type=type(case.mechanism))
    again = fresh.influence(Site(case.machine, case.points.copy()))
    if not case.influence().tobytes() == case.influence().tobytes() == again.tobytes():
        yield "asked twice, the influence differs"


def inputs(case: Case) -> Iterator[str]:
    """Points and travels are read, never written to."""
    points = case.points.copy()
    travels = np.zeros(len(case.mechanism.adjusters(case.machine)))
    move = Move(case.machine, points, travels)
    case.mechanism.influence(move)
    case.mechanism.gap_change(move)
    case.mechanism.effects(move)
    if not np.array_equal(points, case.points):
        yield "the points were written to"
    if np.any(travels):
        yield "the travels were written to"
