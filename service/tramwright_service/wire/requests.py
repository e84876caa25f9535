"""What travels over the wire beside the Structs of the numerics package: requests, listings, health."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Generic, Literal

from msgspec import Meta, Struct, field

from tramwright_solvers.lead_error.check import Surveys
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.done import Steps
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import USUAL, Criterion, M, Solve
from tramwright_solvers.model.quantities import FEWEST, LEAST_STATIONS, Size
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.multisurvey.joint_adjustment import Errors
from tramwright_solvers.planning import MOST_STATIONS, KeepOut, PlanSolve, Reach, Spot
from tramwright_solvers.reversal import PlacedSurvey


class CorrectionRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, one survey of it, and what is asked for."""

    machine: Annotated[Machine, Meta(description="The machine that was read.")]
    survey: Annotated[Survey, Meta(description="The readings.")]
    solve: Annotated[
        Solve[M], Meta(description="What is asked for; left out, all solvers that fit, least squares, the usual aim.")
    ] = field(default_factory=lambda: USUAL)
    done: Steps = field(default_factory=list)


def correction_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = CorrectionRequest
    return generic[registry.union()]


class ChosenSolvers(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """Whose adjusters are asked about."""

    with_: Annotated[
        list[M],
        Meta(
            max_length=16,
            description="Solvers whose adjusters are asked about, each with its options; empty or left out, all that "
            "the machine's description supports.",
        ),
    ] = field(name="with", default_factory=list)


class ComparisonRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine and two surveys of it, not necessarily at the same stations."""

    machine: Annotated[Machine, Meta(description="The machine that was read.")]
    before: Annotated[Survey, Meta(description="The earlier survey.")]
    after: Annotated[Survey, Meta(description="The later survey.")]
    solve: Annotated[ChosenSolvers[M], Meta(description="Whose adjusters are asked about; left out, all that fit.")] = (
        field(default_factory=ChosenSolvers)
    )
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

    machine: Annotated[Machine, Meta(description="The machine that was read.")]
    surveys: Surveys
    solve: Annotated[
        ChosenSolvers[M],
        Meta(
            description="Whose adjusters are asked about, those that carry the bed; left out, the solver of the "
            "supports that fits."
        ),
    ] = field(default_factory=ChosenSolvers)


def height_check_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = HeightCheckRequest
    return generic[registry.union()]


class ReversalSolve(ChosenSolvers[M], Generic[M], frozen=True, forbid_unknown_fields=True):
    """Whose rail seats are asked about, and what they would make small."""

    criterion: Annotated[
        Criterion,
        Meta(
            description="What the best moves of the rail seats would make small of the gantry's form: "
            "`least-squares`, its root mean square; `minimum-zone`, its highest less lowest height."
        ),
    ] = "least-squares"


class ReversalRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, and surveys of it with the plate turned or shifted in between, levelled anew each time or not."""

    machine: Annotated[Machine, Meta(description="The machine that was read.")]
    surveys: Annotated[
        list[PlacedSurvey],
        Meta(
            max_length=16,
            extra_json_schema={"minItems": 2},
            description="Two or more, at the same stations as far as they lie over the plate.",
        ),
    ]
    solve: Annotated[
        ReversalSolve[M],
        Meta(description="Whose rail seats are asked what they would leave of the gantry's form; left out, all."),
    ] = field(default_factory=ReversalSolve)


def reversal_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = ReversalRequest
    return generic[registry.union()]


class SurveyPlanRequest(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """One machine, where it can be read, and optionally a plan to be rated beside the one proposed."""

    machine: Annotated[Machine, Meta(description="The machine to be read.")]
    solve: Annotated[PlanSolve[M], Meta(description="Which adjusters the survey is for; left out, all that fit.")] = (
        field(default_factory=PlanSolve)
    )
    count: Annotated[
        Annotated[int, Meta(ge=LEAST_STATIONS, le=MOST_STATIONS)] | None,
        Meta(description="How many stations; absent or null, as many as are worth it."),
    ] = None
    spacing: Annotated[
        Size | None, Meta(description="Distance of the places weighed, in `units`; absent or null, a fine grid.")
    ] = None
    step: Annotated[
        Size | None,
        Meta(
            description="Stations stand on whole multiples of this, in `units`; absent or null, 5 mm or 1/4 inch, or "
            "a half, a quarter and so on of it on a small bed or for a finer `spacing`."
        ),
    ] = None
    margin: Annotated[
        Annotated[float, Meta(ge=0, le=1e5)] | None,
        Meta(
            description="Distance kept from the bed's edges, in `units`; absent or null, 10 mm, or a tenth of a small "
            "bed."
        ),
    ] = None
    keep_out: Annotated[
        list[KeepOut], Meta(max_length=64, description="Places that must not be touched: clips, holes, screw heads.")
    ] = field(default_factory=list)
    reach: Annotated[Reach, Meta(description="Where the tool gets to, if not over the whole bed.")] = field(
        default_factory=Reach
    )
    stations: Annotated[
        Annotated[list[Spot], Meta(max_length=MOST_STATIONS, extra_json_schema=FEWEST)] | None,
        Meta(description="A plan of your own, to be rated; absent or null, none."),
    ] = None


def survey_plan_request(registry: Registry) -> Any:
    """Return the request type whose ``solve.with`` takes the options of every solver in the registry."""
    generic: Any = SurveyPlanRequest
    return generic[registry.union()]


class LastFault(Struct, frozen=True):
    """What a plug-in did last to a process that answered for it."""

    says: Annotated[str, Meta(description="In which method, and how the process ended.")]
    at: Annotated[datetime, Meta(description="When that was, as RFC 3339 writes it, in UTC.")]
    times: Annotated[int, Meta(ge=1, description="How many processes have ended over it since the service started.")]
    on_hold: Annotated[
        bool,
        Meta(
            description="True while they end so often that none is started: what none is free for is answered 503 "
            "with Retry-After."
        ),
    ]


class SolverEntry(Struct, frozen=True):
    """One solver, or a plug-in that was found and cannot be used."""

    name: Annotated[str, Meta(description="Name under which `solve.with` asks for it.")]
    origin: Annotated[str, Meta(description="`built in`, or the package and version that brought it.")]
    usable: Annotated[bool, Meta(description="False for a plug-in that was found and cannot be used.")]
    version: Annotated[str | None, Meta(description="Version of the solver; null where it cannot be used.")] = None
    says: Annotated[str | None, Meta(description="What it does, in a sentence; null where nothing is said.")] = None
    needs: Annotated[str | None, Meta(description="What the machine must describe; null where it cannot be used.")] = (
        None
    )
    reason: Annotated[str | None, Meta(description="Why it cannot be used; null where it can.")] = None
    last_fault: Annotated[
        LastFault | None,
        Meta(description="The last fault of a plug-in over which a process ended; null where there was none."),
    ] = None


class SolverDetail(SolverEntry, frozen=True):
    """One solver with its options and a payload that works."""

    options: Annotated[
        dict[str, Any] | None,
        Meta(
            description="JSON Schema of its entry in `solve.with`, definitions included; null where it cannot be used."
        ),
    ] = None
    extras: Annotated[
        dict[str, Any] | None,
        Meta(
            description="JSON Schema of what it reads under `machine.extras` by its own name, definitions included; "
            "null where it reads nothing there."
        ),
    ] = None
    example: Annotated[
        dict[str, Any] | None,
        Meta(
            description="A payload for `POST /v1/corrections` in which this solver works; null where none is shipped."
        ),
    ] = None


class SolverList(Struct, frozen=True):
    """Every solver of this installation."""

    solvers: Annotated[list[SolverEntry], Meta(description="Usable solvers first, then plug-ins that cannot be used.")]


class Health(Struct, frozen=True):
    """The service's own state."""

    status: Annotated[
        Literal["live", "ready"],
        Meta(description="`live`: the process runs. `ready`: it has solved an example and takes requests."),
    ]
    version: Annotated[str, Meta(description="Version of the service.")]
