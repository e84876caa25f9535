"""What travels over the wire beside the Structs of the numerics package: requests, listings, health."""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal

from msgspec import Meta, Struct, field

from tramwright_solvers.machine import Machine, Survey
from tramwright_solvers.registry import Registry
from tramwright_solvers.solve import M, Solve


class CorrectionRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, one survey of it, and what is asked for."""

    machine: Machine
    survey: Survey
    solve: Solve[M] = field(default_factory=Solve)


def correction_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = CorrectionRequest
    return generic[registry.union()]


class SolverEntry(Struct, frozen=True):
    """One solver, or a plug-in that was found and cannot be used."""

    name: str
    origin: Annotated[str, Meta(description="`built in`, or the package and version that brought it.")]
    usable: bool
    version: str | None = None
    says: Annotated[str | None, Meta(description="What it does, in a sentence.")] = None
    needs: Annotated[str | None, Meta(description="What the machine must describe.")] = None
    reason: Annotated[str | None, Meta(description="Why it cannot be used, where it cannot.")] = None


class SolverDetail(SolverEntry, frozen=True):
    """One solver with its options and a payload that works."""

    options: Annotated[
        dict[str, Any] | None, Meta(description="JSON Schema of its entry in `solve.with`, definitions included.")
    ] = None
    example: Annotated[
        dict[str, Any] | None, Meta(description="A payload for `POST /v1/corrections` in which this solver works.")
    ] = None


class SolverList(Struct, frozen=True):
    """Every solver of this installation."""

    solvers: list[SolverEntry]


class Health(Struct, frozen=True):
    """The service's own state."""

    status: Literal["live", "ready"]
    version: str
