"""The answer to one survey: what to do, what it leaves and how sure that is. Lengths are in the machine's unit.

Arrays are complete and nothing is rounded; views round for people. The small Structs are kept from the garbage
collector's books (``gc=False``): they are made by the dozen for every answer and can hold no cycle.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.contract import Effect
from ..model.quantities import (
    AdjusterId,
    Cautions,
    CoverageFactor,
    MachineId,
    SolverName,
    SolverVersions,
    SurveyTakenAt,
    Units,
)
from .findings import AsFound, Blind, Budgets, ClosingError, FormTerm, Place, Predicted, Suspect, WholeBed
from .learning import AdjusterResponse, Forecast

Notes = Annotated[
    list[str], Meta(description="What else is to be known of the readings, in sentences; empty where there is nothing.")
]


class MoveOf(Struct, frozen=True):
    """One adjuster's move, and how to make it."""

    adjuster: AdjusterId
    solver: SolverName
    travel: Annotated[float, Meta(description="Signed distance to move it, in `units`, positive = up.")]
    u: Annotated[
        float,
        Meta(description="Standard uncertainty (k = 1) of the travel as worked out from the readings, in `units`."),
    ]
    ask: Annotated[
        float | None,
        Meta(
            description="Travel to set where the adjuster is known not to move as far as it is asked, in `units`, "
            "positive = up; null, the same as `travel`."
        ),
    ] = None
    turns: Annotated[
        float | None,
        Meta(
            description="Turns of the screw, always positive: |`ask`, or else `travel`| / lead; null where no screw "
            "is described."
        ),
    ] = None
    degrees: Annotated[
        float | None, Meta(description="The same turn in degrees, always positive; null where no screw is described.")
    ] = None
    direction: Annotated[
        Literal["clockwise", "anticlockwise"] | None,
        Meta(description="Which way to turn, seen from `seen_from`; null where no screw is described."),
    ] = None
    seen_from: Annotated[
        Literal["above", "below"] | None,
        Meta(description="From which side the direction is seen; null where no screw is described."),
    ] = None
    stack: Annotated[
        list[float] | None,
        Meta(
            description="Thicknesses of the shims to put in, in `units`, empty where some only come out; null where "
            "it is not shimmed."
        ),
    ] = None
    remove: Annotated[
        list[float] | None, Meta(description="Thicknesses of the shims to take out, in `units`; null where none are.")
    ] = None


class Plan(Struct, frozen=True, gc=False):
    """The best that this number of moves can do."""

    moves: Annotated[int, Meta(description="Number of adjusters moved.")]
    adjusters: Annotated[list[str], Meta(description="Which adjusters are moved, by `id`.")]
    total: Annotated[float, Meta(description="Predicted total, in `units`.")]
    rms: Annotated[float, Meta(description="Predicted root mean square of the gap, in `units`.")]
    effort: Annotated[
        float,
        Meta(description="Sum of the efforts of the adjusters moved; a support counts 1 unless described otherwise."),
    ]
    chosen: Annotated[bool, Meta(description="True for the plan that `moves` and `steps` carry out.")]


class Binding(Struct, frozen=True):
    """An adjuster at the end of its travel, and what more travel would bring."""

    adjuster: AdjusterId
    way: Annotated[Literal["up", "down"], Meta(description="Which way it would have to go further.")]
    more: Annotated[float, Meta(description="How much further, in `units`, always positive.")]
    total: Annotated[float, Meta(description="Predicted total if it could, in `units`.")]


class Choice(Struct, frozen=True):
    """Which plan the moves carry out, and why."""

    adjusters: Annotated[list[str], Meta(description="Adjusters of the plan, by `id`.")]
    outcome: Annotated[
        Literal["reached", "best", "stopped", "within", "none"],
        Meta(
            description="`reached`: the total with its U reaches the aim. `best`: the best attainable. `stopped`: the "
            "best found within the limit of the search, mostly `time_limit`. `within`: nothing is moved, for the bed "
            "is proven within its limit and no aim was given. `none`: nothing is moved before more is read."
        ),
    ]
    aim_for: Annotated[float, Meta(description="Total aimed at, in `units`.")]
    why: Annotated[str, Meta(description="Why this plan, in a sentence.")]
    exact_up_to: Annotated[
        int,
        Meta(
            description="Every subset of up to this many adjusters was weighed; of larger ones only whole groups, a "
            "heuristic."
        ),
    ]
    gap: Annotated[
        float,
        Meta(
            description="How far the plan may be from the best by the criterion's own measure (rms, or half of "
            "highest minus lowest gap), in `units`; 0 where that is proven."
        ),
    ] = 0.0
    binding: Annotated[
        tuple[Binding, ...],
        Meta(
            description="Adjusters whose bounds stand in the way of the aim, the most useful first; empty where none "
            "do."
        ),
    ] = ()


class Rung(Struct, frozen=True, gc=False):
    """What is left once this group of adjusters, with those before it, has done all it can."""

    after: Annotated[
        str,
        Meta(
            description="`as found`, or the solver whose adjusters have now done all they can, together with those "
            "before it."
        ),
    ]
    total: Annotated[float, Meta(description="Total that is left, in `units`.")]
    rms: Annotated[float, Meta(description="Root mean square of the gap that is left, in `units`.")]


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


class Step(Struct, frozen=True, gc=False):
    """One thing to do: move an adjuster while the indicator is parked at a station, or read a station."""

    do: Annotated[str, Meta(description="The instruction, in a sentence.")]
    adjuster: Annotated[
        str | None,
        Meta(
            description="`id` of the support or seat to move, which may take several steps; null where a station is to "
            "be read."
        ),
    ]
    travel: Annotated[
        float | None,
        Meta(
            description="Signed distance to move it, in `units`, positive = up; null where a station is to be read, "
            "and where it is moved only until the dial stirs."
        ),
    ]
    park: Annotated[
        Place,
        Meta(
            description="Station at which the dial stands meanwhile, the first that this step moves most, or would if "
            "the adjuster moved the bed; or the station to read."
        ),
    ]
    dial_before: Annotated[
        float | None,
        Meta(
            description="What the dial reads there before this step and after those before it, in `units`, in the "
            "user's own sense; null at a station not read before."
        ),
    ]
    dial_after: Annotated[
        float | None,
        Meta(
            description="What it should read after this step, in `units`, in the same sense; null where a station is "
            "to be read."
        ),
    ]
    dial_goes: Annotated[
        Literal["up", "down", "still"] | None,
        Meta(
            description="Which way the reading must go, `still` where it must not change; if it goes otherwise, stop. "
            "Null where a station is to be read."
        ),
    ]


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
    says: Annotated[str, Meta(description="The same in a sentence or two, with the reason.")]
    read: Annotated[
        tuple[Place, ...], Meta(description="Stations to read, again or as well; empty where none are to be read.")
    ] = ()


class VerdictAnswer(Struct, frozen=True, gc=False):
    """Totals and verdict alone: the answer to one survey of many at the detail `verdict`."""

    machine: MachineId
    taken_at: SurveyTakenAt
    units: Units
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


class Correction(Struct, frozen=True):
    """The whole answer to one survey."""

    machine: MachineId
    taken_at: SurveyTakenAt
    units: Units
    advice: Annotated[Advice, Meta(description="What to do now.")]
    as_found: Annotated[AsFound, Meta(description="Total indicator reading as the survey found it.")]
    predicted: Annotated[
        Predicted,
        Meta(description="Total indicator reading to be expected once the moves are made, and every station."),
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
        Forecast | None, Meta(description="How many passes remain; null without `survey.previous`.")
    ] = None
