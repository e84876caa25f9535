"""The answer to one survey. Lengths are in the machine's unit; ``u`` is a standard uncertainty (k = 1) as in JCGM 100.

Arrays are complete and nothing is rounded; views round for people. The small Structs are kept from the garbage
collector's books (``gc=False``): they are made by the dozen for every answer and can hold no cycle.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from ..model.contract import Effect
from .learning import AdjusterResponse, Forecast


class Place(Struct, frozen=True, gc=False):
    """A point on the bed."""

    x: float
    y: float


class AsFound(Struct, frozen=True):
    """The gap as the survey found it; total is highest minus lowest gap over the stations, ``U`` = k · u."""

    total: float
    u: float
    U: float
    k: float
    rms: float
    highest: Place
    lowest: Place


class Station(Struct, frozen=True, gc=False):
    """Gap at one station before and after the moves, both from the indicator's zero in the first set-up.

    ``dial`` is what the indicator should read there afterwards, in the user's own sense and zero; ``dial_before`` what
    it read.
    """

    x: float
    y: float
    gap: float
    before: float
    dial: float
    dial_before: float
    u: float


class Predicted(AsFound, frozen=True):
    """The gap once the moves are made."""

    stations: list[Station]


class MoveOf(Struct, frozen=True, omit_defaults=True):
    """One adjuster's move: travel positive up, and how to make it.

    ``ask`` is the travel to set where the adjuster is known not to move as far as it is asked; turns are those of it.
    """

    adjuster: str
    solver: str
    travel: float
    u: float
    ask: float | None = None
    turns: float | None = None
    degrees: float | None = None
    direction: Literal["clockwise", "anticlockwise"] | None = None
    seen_from: Literal["above", "below"] | None = None
    stack: list[float] | None = None
    remove: list[float] | None = None


class Plan(Struct, frozen=True, gc=False):
    """The best that this number of moves can do."""

    moves: int
    adjusters: list[str]
    total: float
    rms: float
    effort: float
    chosen: bool


class Binding(Struct, frozen=True):
    """An adjuster at the end of its travel: ``more`` travel that way would leave ``total``."""

    adjuster: str
    way: Literal["up", "down"]
    more: float
    total: float


class Choice(Struct, frozen=True):
    """Which plan the moves carry out and why.

    ``outcome``: ``reached`` the aim; ``best`` attainable; ``stopped`` by the time limit with ``gap`` between the answer
    and the proven bound, in the criterion's own measure (rms, or half the zone). ``binding`` names what stands in the
    way. Every subset of up to ``exact_up_to`` adjusters was weighed; of larger ones only whole groups, a heuristic.
    """

    adjusters: list[str]
    outcome: Literal["reached", "best", "stopped"]
    aim_for: float
    why: str
    exact_up_to: int
    gap: float = 0.0
    binding: tuple[Binding, ...] = ()


class Rung(Struct, frozen=True, gc=False):
    """What is left once this group of adjusters, with those before it, has done all it can."""

    after: str
    total: float
    rms: float


class Term(Struct, frozen=True, gc=False):
    """One term of the gap's form; ``range`` is its spread over the stations, ``share`` its part of the sum of squares.

    ``range`` and ``u`` are null where the stations cannot tell the term from those before it.
    """

    term: str
    range: float | None
    u: float | None
    share: float
    significant: bool


class Blind(Struct, frozen=True, gc=False):
    """Something the chosen stations cannot see, and what to read to see it."""

    what: str
    kind: Literal["term", "adjuster"]
    detail: str


class Suspect(Struct, frozen=True):
    """A reading that the rest of the survey contradicts; nothing is changed on its account.

    ``value`` is what the dial read and ``expected`` what the rest of the survey makes it, both in the user's own sense
    from the first set-up's zero. ``standardized`` is the difference over its standard deviation, estimated without the
    suspects. ``likely`` names the slip that explains it, ``says`` what to do. ``redundancy`` (0 to 1) is how far other
    readings check this one, ``smallest_detectable`` the slip there that is noticed four times in five.
    """

    x: float
    y: float
    value: float
    expected: float
    standardized: float
    likely: str
    says: str
    redundancy: float
    smallest_detectable: float


class Verdict(Struct, frozen=True, gc=False):
    """Against the limit, by the decision rule named: within and outside are proven, the rest is undecided.

    ``decided_by`` says what would decide an undecided total; it is empty where both are decided.
    """

    limit: float
    as_found: Literal["within", "outside", "undecided"]
    predicted: Literal["within", "outside", "undecided"]
    probability: float
    rule: str
    k: float
    decided_by: str


class Step(Struct, frozen=True, gc=False):
    """One thing to do, where to park the indicator while doing it, and what it reads before and after."""

    do: str
    adjuster: str
    travel: float
    park: Place
    dial_before: float
    dial_after: float
    dial_goes: Literal["up", "down"]


class ClosingError(Struct, frozen=True):
    """How much a set-up changed between the first reading of a station and a later one: later minus first, as gaps.

    ``after_drift`` is what remains of it once the drift estimated for the set-up is taken off; the same as ``error``
    where none is.
    """

    x: float
    y: float
    setup: str
    error: float
    after_drift: float


class BudgetLine(Struct, frozen=True, gc=False, omit_defaults=True):
    """One source of uncertainty.

    ``value`` is the half-width of a rectangular distribution, or the standard deviation of a normal one; ``u`` the
    standard uncertainty that follows. ``dof`` are its degrees of freedom, left out where they are unlimited.
    ``sensitivity`` is what one unit of u does to the u of the total, ``share`` the part of its square; shares add up to
    one.
    """

    name: str
    value: float
    distribution: Literal["rectangular", "normal"]
    type: Literal["A", "B"]
    u: float
    sensitivity: float
    share: float
    dof: float | None = None


class Budget(Struct, frozen=True, gc=False, omit_defaults=True):
    """What makes up the u of a total.

    ``dof`` are effective (Welch-Satterthwaite, JCGM 100, G.4), left out if unlimited.
    """

    u: float
    lines: list[BudgetLine]
    dof: float | None = None


class Budgets(Struct, frozen=True, gc=False):
    """The uncertainty budgets of the total as found and of the predicted one."""

    as_found: Budget
    predicted: Budget


class OverBed(Struct, frozen=True):
    """Highest minus lowest gap over the whole bed, not only at the stations, with the errors of the readings taken out.

    ``total`` is what is expected and ``u`` its standard uncertainty; it lies between ``low`` and ``high`` with 95 %.
    ``highest`` and ``lowest`` are where the extremes are most likely. All is null where the stations do not bear it,
    and ``says`` why; else ``says`` how it was found.
    """

    total: float | None
    u: float | None
    low: float | None
    high: float | None
    highest: Place | None
    lowest: Place | None
    says: str


class WholeBed(Struct, frozen=True, gc=False):
    """The totals over the whole bed, as found and once the moves are made."""

    as_found: OverBed
    predicted: OverBed


class VerdictAnswer(Struct, frozen=True, gc=False):
    """Totals and verdict alone: the answer to one survey of many at the detail `verdict`."""

    machine: str
    units: Literal["mm", "inch"]
    as_found: AsFound
    predicted: AsFound
    verdict: Verdict


class MovesAnswer(VerdictAnswer, frozen=True):
    """Totals, verdict and moves: the answer to one survey of many at the detail `moves`."""

    moves: list[MoveOf]
    chosen: Choice
    suspects: list[Suspect]
    cautions: list[str]
    solver_versions: dict[str, str]


class Refit(Struct, frozen=True):
    """Totals, moves and verdict without the stations ``left_out``, all null where too little is left to say."""

    left_out: list[Place]
    as_found: AsFound | None
    predicted: AsFound | None
    moves: list[MoveOf] | None
    verdict: Verdict | None
    says: str


class Correction(Struct, frozen=True, omit_defaults=True):
    """The whole answer to one survey.

    ``followed``, ``doubts`` and ``forecast`` are what was learnt from ``survey.previous``: what each adjuster did with
    what was asked of it, what cannot be told or does not fit, and how many passes remain. Without it they are empty,
    and the last is left out. ``refit`` is there where there are suspects.
    """

    machine: str
    units: Literal["mm", "inch"]
    as_found: AsFound
    predicted: Predicted
    over_bed: WholeBed
    budget: Budgets
    moves: list[MoveOf]
    chosen: Choice
    closing_errors: list[ClosingError]
    plans: list[Plan]
    ladder: list[Rung]
    attribution: str
    breakdown: list[Term]
    blind_to: list[Blind]
    suspects: list[Suspect]
    effects: list[Effect]
    followed: list[AdjusterResponse]
    doubts: list[str]
    verdict: Verdict
    steps: list[Step]
    cautions: list[str]
    solver_versions: dict[str, str]
    refit: Refit | None = None
    forecast: Forecast | None = None
