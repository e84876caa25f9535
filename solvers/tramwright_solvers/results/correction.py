"""The answer to one survey: what to do, what it leaves and how sure that is. Lengths are in the machine's unit.

Arrays are complete and nothing is rounded; views round for people. The small Structs are kept from the garbage
collector's books (``gc=False``): they are made by the dozen for every answer and can hold no cycle.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct

from ..model.contract import Effect
from ..model.quantities import (
    Cautions,
    CoverageFactor,
    MachineId,
    SolverVersions,
    SurveyTakenAt,
    Units,
)
from .findings import AsFound, Blind, Budgets, ClosingError, FormTerm, Place, Predicted, Suspect, WholeBed
from .learning import AdjusterResponse, Forecast
from .moves import Choice, MoveOf, Plan, Rung, Step
from .progress import Progress
from .shown import Shown

MaybeProgress = Annotated[
    Progress | None,
    Meta(
        description="How far the work is; null without `done`. With it, `moves`, `steps` and all that is predicted are "
        "of the rest of the work."
    ),
]
Notes = Annotated[
    list[str], Meta(description="What else is to be known of the readings, in sentences; empty where there is nothing.")
]


class Verdict(Struct, frozen=True, gc=False):
    """Against the limit, by the decision rule named."""

    limit: Annotated[float, Meta(description="Largest total that is still good, in `units`.")]
    as_found: Annotated[
        Literal["within", "outside", "undecided"],
        Meta(
            description="`within` or `outside` where that is proven at the total's uncertainty, else `undecided`: "
            "before the moves."
        ),
    ]
    predicted: Annotated[
        Literal["within", "outside", "undecided"], Meta(description="The same for the total predicted after the moves.")
    ]
    probability: Annotated[
        float | None,
        Meta(
            description="Probability that the true total after the moves is within the limit (JCGM 106); null where "
            "the readings do not bear one."
        ),
    ]
    rule: Annotated[str, Meta(description="Decision rule by which it is judged.")]
    k: CoverageFactor
    decided_by: Annotated[str, Meta(description="What would decide an undecided total; empty where both are decided.")]


class Advice(Struct, frozen=True, gc=False):
    """What to do now, before anything else."""

    do: Annotated[
        Literal["move", "nothing", "read-again", "read-more"],
        Meta(
            description="`move`: make the moves. `nothing`: leave it as it is. `read-again`: the readings contradict "
            "each other, so these stations are read again before anything is moved. `read-more`: the stations do not "
            "show enough, so these are read first."
        ),
    ]
    read: Annotated[
        tuple[Place, ...], Meta(description="Stations to read, again or as well; empty where none are to be read.")
    ] = ()


class VerdictAnswer(Struct, frozen=True, gc=False):
    """Totals and verdict alone: the answer to one survey of many at the detail `verdict`."""

    machine: MachineId
    taken_at: SurveyTakenAt
    units: Units
    says: Annotated[str, Meta(description="What to do now in a sentence or two, with the reason.")]
    as_found: Annotated[AsFound, Meta(description="Total indicator reading as the survey found it.")]
    predicted: Annotated[AsFound, Meta(description="Total indicator reading to be expected once the moves are made.")]
    verdict: Annotated[Verdict, Meta(description="Both totals against the limit.")]
    advice: Annotated[Advice, Meta(description="What to do now.")]
    solver_versions: SolverVersions


class MovesAnswer(VerdictAnswer, frozen=True):
    """Totals, verdict and moves: the answer to one survey of many at the detail `moves`."""

    moves: Annotated[
        list[MoveOf], Meta(description="What to move and by how much; empty where nothing is worth moving.")
    ]
    chosen: Annotated[Choice, Meta(description="The plan that the moves carry out, and why.")]
    suspects: Annotated[
        list[Suspect], Meta(description="Readings that the rest of the survey contradicts; empty where there are none.")
    ]
    notes: Notes
    cautions: Cautions
    progress: MaybeProgress = None


class Refit(Struct, frozen=True):
    """The answer once more without the suspects' stations."""

    left_out: Annotated[list[Place], Meta(description="Stations that were left out: those of the suspects.")]
    as_found: Annotated[
        AsFound | None, Meta(description="Total as found without them; null where too little is left to answer from.")
    ]
    predicted: Annotated[
        AsFound | None, Meta(description="Predicted total without them; null where too little is left.")
    ]
    moves: Annotated[list[MoveOf] | None, Meta(description="Moves without them; null where too little is left.")]
    verdict: Annotated[Verdict | None, Meta(description="Verdict without them; null where too little is left.")]
    says: Annotated[str, Meta(description="What to do with it, in a sentence.")]


class Correction(Shown, frozen=True):
    """The whole answer to one survey."""

    view: ClassVar[str] = "correction"

    machine: MachineId
    taken_at: SurveyTakenAt
    units: Units
    says: Annotated[str, Meta(description="What to do now in a sentence or two, with the reason.")]
    advice: Annotated[Advice, Meta(description="What to do now.")]
    as_found: Annotated[AsFound, Meta(description="Total indicator reading as the survey found it.")]
    predicted: Annotated[
        Predicted,
        Meta(description="Total indicator reading to be expected once the moves are made, and every station."),
    ]
    patches: Annotated[
        list[list[int]],
        Meta(
            description="Where the bed is in patches: for each, the places of its stations in `predicted.stations`, "
            "the first being 0. Nothing is interpolated from one to another. Empty where the bed is one piece."
        ),
    ]
    over_bed: Annotated[WholeBed, Meta(description="The same totals over the whole bed, between the stations too.")]
    budget: Annotated[Budgets, Meta(description="Where the uncertainty of both totals comes from.")]
    moves: Annotated[
        list[MoveOf], Meta(description="What to move and by how much; empty where nothing is worth moving.")
    ]
    chosen: Annotated[Choice, Meta(description="The plan that the moves carry out, and why.")]
    closing_errors: Annotated[
        list[ClosingError], Meta(description="Changes of the set-ups, from stations read again; empty where none is.")
    ]
    plans: Annotated[
        list[Plan],
        Meta(
            description="Number of moves against what they leave: the best for each number, as long as one more still "
            "gains."
        ),
    ]
    ladder: Annotated[
        list[Rung], Meta(description="What is left after each solver's adjusters in turn, the first rung as found.")
    ]
    attribution: Annotated[
        str,
        Meta(description="What supports and rails can take out and what no adjuster reaches, in a sentence or two."),
    ]
    breakdown: Annotated[
        list[FormTerm], Meta(description="The gap as found, split into terms: offset, tilts, twist, bows, remainder.")
    ]
    blind_to: Annotated[
        list[Blind], Meta(description="Terms and adjusters that the stations cannot see; empty where they see all.")
    ]
    suspects: Annotated[
        list[Suspect], Meta(description="Readings that the rest of the survey contradicts; empty where there are none.")
    ]
    effects: Annotated[
        list[Effect],
        Meta(
            description="Side effects of the moves, as forces and sideways shifts; empty where the solvers know of "
            "none."
        ),
    ]
    followed: Annotated[
        list[AdjusterResponse],
        Meta(description="What each adjuster did in the passes of `survey.previous`; empty without them."),
    ]
    doubts: Annotated[
        list[str], Meta(description="What those passes cannot tell or what does not fit; empty without them.")
    ]
    verdict: Annotated[Verdict, Meta(description="Both totals against the limit.")]
    steps: Annotated[
        list[Step],
        Meta(
            description="The order of work: what is to be read first, then the moves, rail seats before screws; empty "
            "where nothing is to be done."
        ),
    ]
    notes: Notes
    cautions: Cautions
    solver_versions: SolverVersions
    assumed: Annotated[
        list[str],
        Meta(
            description="Every default that the answer hangs on, for the request does not say it; the shortest first."
        ),
    ]
    digits: Annotated[
        int, Meta(description="Decimals of lengths that mean something; nothing in this answer is rounded to them.")
    ]
    refit: Annotated[Refit | None, Meta(description="The answer without the suspects; null where there are none.")] = (
        None
    )
    forecast: Annotated[
        Forecast | None,
        Meta(
            description="How many passes remain; null without `survey.previous`, and where nothing is moved before "
            "something is read again."
        ),
    ] = None
    progress: MaybeProgress = None


class Traced(Struct, frozen=True):
    """The part of a correction that is kept to follow a machine by: `moves`, the terms of the gap as found, and that
    gap at every station, with its x and y."""

    moves: MovesAnswer
    breakdown: list[FormTerm]
    stations: list[tuple[float, float, float]]

    @classmethod
    def of(cls, whole: Correction) -> Traced:
        """Return that part of a whole correction."""
        kept = {name: getattr(whole, name) for name in MovesAnswer.__struct_fields__}
        left = AsFound(*[getattr(whole.predicted, name) for name in AsFound.__struct_fields__])
        stations = [(one.x, one.y, one.before) for one in whole.predicted.stations]
        return cls(MovesAnswer(**kept | {"predicted": left}), whole.breakdown, stations)
