"""The conformance kit for authors of solvers: it checks the mathematics of a mechanism on a machine of the author's
choice.

``check(MySolver(), machine)`` raises :class:`ConformanceError` with everything found; :func:`findings` returns the same
as a list. No reference values are needed: a derivative is compared with differences of the exact change, and answers
must not depend on the origin, the unit, the order of the points, the run, or on what was done with the inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from msgspec import Struct

from ..model.contract import Mechanism
from ..model.extras import Axis
from ..model.machine import Machine
from .case import Case, spread
from .declared import adjusters, conditions, declaration, extras, options, parts, remarks, said_of_places
from .mathematics import determinism, differences, inputs, linear, order, origin, shape, unit, unity, zero


class Finding(Struct, frozen=True):
    """One check that a mechanism fails, and how."""

    check: str
    detail: str


class ConformanceError(AssertionError):
    """A mechanism breaks the contract; ``findings`` lists how."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__("\n".join(f"{finding.check}: {finding.detail}" for finding in findings))
        self.findings = tuple(findings)


def check(
    mechanism: Mechanism, machine: Machine, lengths: Sequence[str] = (), places: Mapping[str, Axis] | None = None
) -> None:
    """Check a mechanism on a machine that suits it.

    ``lengths`` names options of the mechanism, and fields of its extras, that are lengths in machine units, ``places``
    those that are positions in the machine frame, with their axis, such as ``{"hinge_y": "y"}``, beside those that the
    mechanism itself names; where the machine is described in the other unit or from another origin, they follow.

    Raises:
        ConformanceError: the mechanism breaks the contract; every failed check is listed.
    """
    if found := findings(mechanism, machine, lengths, places):
        raise ConformanceError(found)


def findings(
    mechanism: Mechanism, machine: Machine, lengths: Sequence[str] = (), places: Mapping[str, Axis] | None = None
) -> list[Finding]:
    """Return every check that the mechanism fails on this machine, in the order of :data:`CHECKS`; empty = conforms."""
    placed = {**mechanism.places, **(places or {})}
    case = Case(mechanism, machine, spread(machine), frozenset([*mechanism.lengths, *lengths, *placed]), placed)
    found: list[Finding] = []
    for title, run in CHECKS.items():
        try:
            found.extend(Finding(title, detail) for detail in run(case))
        except Exception as error:  # whatever a mechanism raises on a machine that suits it is itself a finding
            found.append(Finding(title, f"raised {type(error).__name__}: {error}"))
    return found


CHECKS: dict[str, Callable[[Case], Iterator[str]]] = {
    "declaration": declaration,
    "options": options,
    "extras": extras,
    "adjusters": adjusters,
    "said of places": said_of_places,
    "shape": shape,
    "zero travel": zero,
    "finite differences": differences,
    "linear": linear,
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
