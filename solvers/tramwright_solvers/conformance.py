"""The conformance kit for authors of solvers: it checks the mathematics of a mechanism on a machine of the author's
choice.

``check(MySolver(), machine)`` raises :class:`ConformanceError` with everything found; :func:`findings` returns the same
as a list. No reference values are needed: a derivative is compared with differences of the exact change, and answers
must not depend on the origin, the unit, the order of the points, the run, or on what was done with the inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Literal

import msgspec
import numpy as np
from msgspec import Struct

from .mechanisms.plug_ins.outputs import resolves
from .mechanisms.registry import why_unusable
from .mechanisms.transforms import LENGTHS, scaled, shifted
from .model.contract import Conditions, Floats, Mechanism, Move, Site
from .model.machine import Machine
from .model.units import MM_PER_INCH

EXACT = 1e-9
"""Relative agreement of what is equal in exact arithmetic: float64 with room for a poorly conditioned geometry."""

DIFFERENCE = 1e-6
"""Agreement of influence with central differences; a finite rotation differs by about (STEP)² = 1e-8."""

STEP = 1e-4
"""Travel of the differences, as a share of the bed's diagonal: 0.07 mm on a 500 mm bed."""

FINER = (1.0, 0.1, 0.01)
"""Shares of STEP that are tried: an adjuster may be a thousand times smaller than the bed."""


Axis = Literal["x", "y"]


class Finding(Struct, frozen=True):
    """One check that a mechanism fails, and how."""

    check: str
    detail: str


class ConformanceError(AssertionError):
    """A mechanism breaks the contract; ``findings`` lists how."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__("\n".join(f"{finding.check}: {finding.detail}" for finding in findings))
        self.findings = tuple(findings)


class Case(Struct, frozen=True):
    """What is checked: mechanism and machine, points over the bed and a little beyond, options that are lengths."""

    mechanism: Mechanism
    machine: Machine
    points: Floats
    lengths: frozenset[str] = frozenset()
    places: Mapping[str, Axis] = {}

    @property
    def size(self) -> float:
        """The bed's diagonal, in machine units."""
        bed = self.machine.bed
        return float(np.hypot(bed.x[1] - bed.x[0], bed.y[1] - bed.y[0]))

    def influence(self) -> Floats:
        """Influence at the points, from fresh copies of the inputs."""
        return self.mechanism.influence(Site(self.machine, self.points.copy()))

    def gap_change(self, travels: Floats) -> Floats:
        """Exact change of gap at the points, from fresh copies of the inputs."""
        return self.mechanism.gap_change(Move(self.machine, self.points.copy(), travels.copy()))


def check(
    mechanism: Mechanism, machine: Machine, lengths: Sequence[str] = (), places: Mapping[str, Axis] | None = None
) -> None:
    """Check a mechanism on a machine that suits it.

    ``lengths`` names those options of the mechanism that are lengths in machine units, ``places`` those that are
    positions in the machine frame, with their axis, such as ``{"hinge_y": "y"}``; where the machine is described in
    the other unit or from another origin, they follow.

    Raises:
        ConformanceError: the mechanism breaks the contract; every failed check is listed.
    """
    if found := findings(mechanism, machine, lengths, places):
        raise ConformanceError(found)


def findings(
    mechanism: Mechanism, machine: Machine, lengths: Sequence[str] = (), places: Mapping[str, Axis] | None = None
) -> list[Finding]:
    """Return every check that the mechanism fails on this machine, in the order of :data:`CHECKS`; empty = conforms."""
    case = Case(mechanism, machine, spread(machine), frozenset([*lengths, *(places or {})]), places or {})
    found: list[Finding] = []
    for title, run in CHECKS.items():
        try:
            found.extend(Finding(title, detail) for detail in run(case))
        except Exception as error:  # whatever a mechanism raises on a machine that suits it is itself a finding
            found.append(Finding(title, f"raised {type(error).__name__}: {error}"))
    return found


def spread(machine: Machine) -> Floats:
    """Return 5 by 4 points over the bed and a tenth beyond its edges, in no regular order, shape (20, 2)."""
    (left, right), (front, rear) = machine.bed.x, machine.bed.y
    x, y = np.meshgrid(np.linspace(-0.1, 1.1, 5), np.linspace(-0.1, 1.1, 4))
    unit = np.column_stack([x.ravel(), y.ravel()])[np.arange(20) * 7 % 20]
    return np.asarray(np.array([left, front]) + unit * np.array([right - left, rear - front]))


def declaration(case: Case) -> Iterator[str]:
    """Contract version, frozen, tagged, unknown fields forbidden, every option with a default."""
    if reason := why_unusable(type(case.mechanism), ()):
        yield reason
    if not case.mechanism.needs:
        yield "`needs` must say in one sentence what the machine must describe"


def options(case: Case) -> Iterator[str]:
    """Options survive JSON and a mistyped option is refused."""
    kind = type(case.mechanism)
    written = msgspec.json.encode(case.mechanism)
    if msgspec.json.decode(written, type=kind) != case.mechanism:
        yield "the options do not come back from JSON as they were"
    unknown = {**msgspec.json.decode(written), "no-such-option": 1}
    try:
        msgspec.convert(unknown, kind)
    except msgspec.ValidationError:
        return
    yield "an unknown option is accepted in silence"


def adjusters(case: Case) -> Iterator[str]:
    """Ids are unique, pointers lead into the machine, and standing still is allowed."""
    listed = case.mechanism.adjusters(case.machine)
    if not listed:
        yield "there are no adjusters"
    if len({adjuster.id for adjuster in listed}) != len(listed):
        yield "two adjusters share one id"
    if listed != case.mechanism.adjusters(case.machine):
        yield "asked twice, the adjusters differ"
    document = {"machine": msgspec.to_builtins(case.machine)}
    for adjuster in listed:
        if not adjuster.lower <= 0.0 <= adjuster.upper:
            yield f"`{adjuster.id}` cannot stay where it is: its travel is from {adjuster.lower} to {adjuster.upper}"
        if not (np.isfinite(adjuster.effort) and adjuster.effort > 0):
            yield f"the effort of `{adjuster.id}` must be positive and finite"
        if adjuster.step is not None and not (np.isfinite(adjuster.step) and adjuster.step > 0):
            yield f"the step of `{adjuster.id}` must be positive and finite"
        if adjuster.setting is not None and not (np.isfinite(adjuster.setting) and adjuster.setting > 0):
            yield f"the setting of `{adjuster.id}` must be positive and finite"
        if not resolves(document, adjuster.pointer):
            yield f"the pointer of `{adjuster.id}`, {adjuster.pointer!r}, leads nowhere in the request"


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
        worst = min(disagreement(case, influence, direction, STEP * case.size * share) for share in FINER)
        if not worst <= DIFFERENCE * (1.0 + np.max(np.abs(influence))):
            yield f"along travels {np.round(direction, 3).tolist()} influence and differences disagree by {worst:.3g}"


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
    site = Site(shifted(case.machine, shift), case.points + shift)
    given = msgspec.to_builtins(case.mechanism)
    moved = {name: given[name] + float(shift["xy".index(axis)]) for name, axis in case.places.items()}
    mechanism = msgspec.convert(given | moved, type(case.mechanism))
    says = "shifting the origin changes the influence (an option that is a position must be named in `places`)"
    yield from unequal(mechanism.influence(site), case.influence(), says)


def unit(case: Case) -> Iterator[str]:
    """The same machine in the other unit has the same influence, which is dimensionless."""
    factor = 1.0 / MM_PER_INCH if case.machine.units == "mm" else MM_PER_INCH
    other = msgspec.to_builtins(case.machine)
    other = scaled(other, factor, LENGTHS) | {"units": "inch" if case.machine.units == "mm" else "mm"}
    named = scaled(msgspec.to_builtins(case.mechanism), factor, case.lengths)
    mechanism = msgspec.convert(named, type(case.mechanism))
    site = Site(msgspec.convert(other, Machine), case.points * factor)
    says = "the other unit changes the influence (an option that is a length must be named in `lengths`)"
    yield from unequal(mechanism.influence(site), case.influence(), says)


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


def conditions(case: Case) -> Iterator[str]:
    """Conditions have the stated shapes, a reason for each row, and allow zero travel."""
    found = case.mechanism.conditions(case.machine)
    if found is None:
        return
    count = len(case.mechanism.adjusters(case.machine))
    rows = len(found.because)
    if found.matrix.shape != (rows, count) or found.lower.shape != (rows,) or found.upper.shape != (rows,):
        yield f"{rows} reasons, but matrix {found.matrix.shape} and ends {found.lower.shape}, {found.upper.shape}"
    elif not np.all(np.isfinite(found.matrix)):
        yield "the matrix is not finite"
    if not (np.all(found.lower <= 0.0) and np.all(found.upper >= 0.0)):
        yield "zero travel breaks a condition"


def parts(case: Case) -> Iterator[str]:
    """The parts in which travels are carried out add up to them, for every direction that equations allow."""
    count = len(case.mechanism.adjusters(case.machine))
    for direction in allowed(case.mechanism.conditions(case.machine), count).T:
        travels = STEP * case.size * direction
        counted, made = np.zeros(count), np.zeros(count)
        for part in case.mechanism.parts(Move(case.machine, case.points.copy(), travels.copy())):
            for column, travel in part.counts.items():
                counted[column] += travel
            made[part.adjuster] += part.about if part.travel is None else part.travel
        told = f"for travels {np.round(travels, 6).tolist()}"
        if not np.allclose(counted, travels, rtol=0.0, atol=EXACT * case.size):
            yield f"{told} the parts count {np.round(counted, 6).tolist()}"
        if not np.allclose(made, travels, rtol=0.0, atol=EXACT * case.size):
            yield f"{told} the parts move {np.round(made, 6).tolist()}"


def remarks(case: Case) -> Iterator[str]:
    """Effects are finite, cautions are sentences."""
    travels = np.full(len(case.mechanism.adjusters(case.machine)), STEP * case.size)
    for effect in case.mechanism.effects(Move(case.machine, case.points.copy(), travels)):
        if not np.isfinite(effect.value):
            yield f"effect `{effect.name}` is not finite"
    for caution in case.mechanism.cautions(case.machine):
        if not caution.strip().endswith((".", "!")):
            yield f"a caution is not a sentence: {caution!r}"


CHECKS: dict[str, Callable[[Case], Iterator[str]]] = {
    "declaration": declaration,
    "options": options,
    "adjusters": adjusters,
    "shape": shape,
    "zero travel": zero,
    "finite differences": differences,
    "partition of unity": unity,
    "origin": origin,
    "unit": unit,
    "order of points": order,
    "determinism": determinism,
    "inputs": inputs,
    "conditions": conditions,
    "parts": parts,
    "remarks": remarks,
}
"""Every check by its title."""


def unequal(found: Floats, expected: Floats, says: str) -> Iterator[str]:
    """Yield a sentence where two influences differ by more than rounding."""
    if found.shape != expected.shape:
        yield f"{says}: shape {found.shape}, not {expected.shape}"
        return
    worst = np.max(np.abs(found - expected), initial=0.0)
    if not worst <= EXACT * (1.0 + np.max(np.abs(expected), initial=0.0)):
        yield f"{says} by {worst:.3g}"


def allowed(found: Conditions | None, count: int) -> Floats:
    """Return directions of travel, as columns, that no equation forbids: single adjusters where there is none."""
    if found is None:
        return np.eye(count)
    equations = found.matrix[found.lower == found.upper]
    if not len(equations):
        return np.eye(count)
    _, sizes, basis = np.linalg.svd(equations)
    rank = int(np.sum(sizes > EXACT * max(1.0, sizes[0])))
    return np.asarray(basis[rank:].T)
