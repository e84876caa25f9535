"""The answer to a reversal. Lengths are in the machine's unit, heights positive up; ``u`` is a standard uncertainty.

A high spot of the plate raises the gap, a high spot of the gantry (the surface the tool sweeps) lowers it.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct


class ReversalStation(Struct, frozen=True):
    """Height at one station: of the part that is decided, with u, and if all that is undecided were this one's own."""

    x: float
    y: float
    height: float
    u: float
    if_all_its_own: float


class ReversalTerm(Struct, frozen=True):
    """One term of a form; ``range``, its spread over the stations, is null with ``u`` where it cannot be told whose.

    Bow-x and bow-y are sums and differences of round bow and saddle, and so are not further terms beside them.
    """

    term: str
    range: float | None
    u: float | None
    significant: bool
    decidable: bool


class ReversalForm(Struct, frozen=True):
    """Form of plate or gantry, its plane taken off; ``range`` is highest minus lowest of the decided part.

    Plate stations are in the plate's own frame: where they lie when it is neither turned nor shifted.
    """

    stations: list[ReversalStation]
    range: float
    u: float
    range_if_all_its_own: float
    rms: float
    significant: bool
    terms: list[ReversalTerm]


class UndecidedShape(Struct, frozen=True):
    """A shape that plate and gantry may have together without changing any gap given.

    ``plate`` and ``gantry`` are its heights at their stations, in their order, the largest 1. ``range`` is how much of
    it there is in the gap, with ``u``, for shapes that have a name.
    """

    name: str
    plate: list[float]
    gantry: list[float]
    range: float | None
    u: float | None


class Undecided(Struct, frozen=True):
    """The part that no data given can tell apart: ``dimension`` counts its shapes, piston and tilt not among them.

    ``shapes`` lists them one by one, those with a name first, the first 24 at the most. ``range`` is how much of it the
    gap holds. ``beyond`` counts those that no further turn by quarters or shift by a station would tell either.
    """

    dimension: int
    range: float
    u: float
    significant: bool
    beyond: int
    shapes: list[UndecidedShape]
    says: str


class FurtherSurvey(Struct, frozen=True):
    """A further way to lay the plate: how many undecided shapes it would tell, for how much effort (a turn is 1)."""

    turned: float
    shifted: tuple[float, float]
    stations: int
    removes: int
    leaves: int
    effort: float


class Further(Struct, frozen=True):
    """What to survey next: every way that was tried, the cheapest that tells something first."""

    worth_while: bool
    tried: list[FurtherSurvey]
    says: str


class LaidTotal(Struct, frozen=True):
    """Total of one survey with its plane taken off: what levelling alone leaves with the plate laid like this."""

    turned: float
    shifted: tuple[float, float]
    stations: int
    total: float
    u: float


class Whose(Struct, frozen=True):
    """Whose error it is: the form with the larger mean square, whosever the undecided part may be.

    ``probability`` is that of the one named being the larger, in the least favourable case; null where none is named.
    """

    whose: Literal["plate", "gantry", "both", "neither", "undecided"]
    probability: float | None
    says: str


class BetterPlate(Struct, frozen=True):
    """What a perfect plate would leave after levelling: the gantry's own form, against the first survey's total.

    ``least`` and ``most``, each with ``u``, differ where it is undecided whose a part is. ``standing`` is theirs
    against the limit. ``best_laid`` is the least total among the surveys with as many stations as the first.
    ``after_rails`` is what the best moves of the rail seats described would leave of ``least``.
    """

    total_now: float
    u_now: float
    least: float
    u_least: float
    most: float
    u_most: float
    limit: float
    standing: Literal["within", "outside", "undecided"]
    helps: Literal["yes", "no", "undecided"]
    after_rails: float | None
    best_laid: LaidTotal
    says: str


class Agreement(Struct, frozen=True):
    """How well the surveys agree: sum of squares left over its expectation; null where nothing is left to compare."""

    excess: float | None
    degrees_of_freedom: int
    contradicted: bool


class Reversal(Struct, frozen=True):
    """The whole answer: ``k`` is the coverage factor of every U in the sentences; lengths are the machine's."""

    machine: str
    units: Literal["mm", "inch"]
    k: float
    verdict: Whose
    better_plate: BetterPlate
    plate: ReversalForm
    gantry: ReversalForm
    undecided: Undecided
    further: Further
    laid: list[LaidTotal]
    agreement: Agreement
    doubts: list[str]
    cautions: list[str]
