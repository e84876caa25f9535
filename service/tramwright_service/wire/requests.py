"""What travels over the wire beside the Structs of the numerics package: requests, listings, health."""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal

from msgspec import Meta, Struct, field

from tramwright_solvers.lead_error.check import Surveys
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.machine import Machine, Size
from tramwright_solvers.model.options import M, Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.multisurvey.joint_adjustment import Errors
from tramwright_solvers.planning import MOST_STATIONS, KeepOut, PlanSolve, Reach, Spot
from tramwright_solvers.reduction.stations import LEAST_STATIONS
from tramwright_solvers.reversal import PlacedSurvey


class CorrectionRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, one survey of it, and what is asked for."""

    machine: Machine
    survey: Survey
    solve: Solve[M] = field(default_factory=Solve)


def correction_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = CorrectionRequest
    return generic[registry.union()]


class ChosenSolvers(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """Whose adjusters are asked about: those of the solvers under ``with``; left out, of all that fit."""

    with_: Annotated[list[M], Meta(max_length=16)] = field(name="with", default_factory=list)


class ComparisonRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine and two surveys of it, not necessarily at the same stations."""

    machine: Machine
    before: Survey
    after: Survey
    solve: ChosenSolvers[M] = field(default_factory=ChosenSolvers)
    offset: Annotated[
        Literal["free", "keep"],
        Meta(description="`keep` where the indicator held its zero from the first survey to the second."),
    ] = "free"
    indicator_error: Annotated[
        Errors,
        Meta(
            description="The indicator's error of indication: `independent` in the two surveys, or `common` to both at "
            "a station that both read, where the same indicator reads on the same part of its scale."
        ),
    ] = "independent"


def comparison_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = ComparisonRequest
    return generic[registry.union()]


class HeightCheckRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, and surveys of it with the bed at two or more heights."""

    machine: Machine
    surveys: Surveys
    solve: ChosenSolvers[M] = field(default_factory=ChosenSolvers)


def height_check_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = HeightCheckRequest
    return generic[registry.union()]


class ReversalRequest(Struct, frozen=True, forbid_unknown_fields=True):
    """One machine, and surveys of it with the plate turned or shifted in between, levelled anew each time or not."""

    machine: Machine
    surveys: Annotated[
        list[PlacedSurvey],
        Meta(max_length=16, description="Two or more, at the same stations as far as they lie over the plate."),
    ]


class SurveyPlanRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, where it can be read, and optionally a plan to be rated beside the one proposed."""

    machine: Machine
    solve: PlanSolve[M] = field(default_factory=PlanSolve)
    count: (
        Annotated[
            int,
            Meta(
                ge=LEAST_STATIONS, le=MOST_STATIONS, description="How many stations; left out, as many as are worth it."
            ),
        ]
        | None
    ) = None
    spacing: (
        Annotated[Size, Meta(description="Distance of the places weighed, in `units`; default a fine grid.")] | None
    ) = None
    margin: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=1e5,
                description="Distance kept from the bed's edges; default 10 mm, or a tenth of a small bed.",
            ),
        ]
        | None
    ) = None
    keep_out: Annotated[
        list[KeepOut], Meta(max_length=64, description="Places that must not be touched: clips, holes, screw heads.")
    ] = field(default_factory=list)
    reach: Annotated[Reach, Meta(description="Where the tool gets to, if not over the whole bed.")] = field(
        default_factory=Reach
    )
    stations: (
        Annotated[list[Spot], Meta(max_length=MOST_STATIONS, description="A plan of your own, to be rated.")] | None
    ) = None


def survey_plan_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = SurveyPlanRequest
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
