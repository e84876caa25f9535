"""The answer to where a machine should be read. Lengths are in the machine's unit; ``u`` is a standard uncertainty.

Arrays are complete and nothing is rounded; views round for people.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from ..diagnostics.outliers import Unchecked
from ..model.machine import Coordinate
from ..results.correction import Blind


class Spot(Struct, frozen=True, forbid_unknown_fields=True):
    """A station of a plan to be rated."""

    x: Coordinate
    y: Coordinate


class Stop(Struct, frozen=True):
    """One station in the order of reading; ``leg`` is the straight way from the one before, the first's from the last.

    ``over_kept_out`` says that this way passes over a kept-out place.
    """

    x: float
    y: float
    leg: float
    over_kept_out: bool


class MoveForecast(Struct, frozen=True):
    """How well one adjuster's travel will be known; lengths in the machine's unit.

    ``u`` is the standard uncertainty that the correction will state for readings in this order with the closing reading
    at the end, and the drift estimated from it; ``u_steady`` that without a closing reading, if nothing drifts. Both
    are for the least effort that does all the adjusters can do with this one among them, in company of
    ``together_with``; of several ways of equal effort the most uncertain. Null where the stations cannot determine the
    travel, and ``why`` says the reason.
    """

    adjuster: str
    solver: str
    u: float | None
    u_steady: float | None
    together_with: list[str]
    why: str


class TotalForecast(Struct, frozen=True):
    """How well a total read in this survey will be known, and what can be declared within the limit (ISO 14253-1).

    A total predicted for after the moves is less certain by the errors of setting them, which are not in here.

    ``u`` is at most that of highest minus lowest with the closing reading, ``u_steady`` without. ``largest_within`` is
    the largest total that proves to be within the limit, limit - k · u; null where no total would. ``noise`` is the
    total that a perfectly flat bed would show by the readings' uncertainty alone, on average; ``smallest_limit``,
    noise + k · u, is the tightest limit that such a bed would still be proven to keep.
    """

    u: float
    u_steady: float
    U: float
    k: float
    limit: float
    largest_within: float | None
    noise: float
    smallest_limit: float


class Efficiency(Struct, frozen=True):
    """How near a plan comes to the best of the same size for the moves alone, 1 being the best found.

    ``d``: the determinant of the information, for each term (D-efficiency); ``i``: the mean variance of the adjusters'
    fit over the free area (I-efficiency). Zero where the plan does not determine the moves; null, with ``why``, where
    no plan of its size does.
    """

    d: float | None
    i: float | None
    why: str


class Rating(Struct, frozen=True):
    """What a survey at these stations is worth.

    ``gap_u`` is the root mean square uncertainty of the gap anywhere in the free area, bows of ten times and waves of
    half a reading's u being thought of where the stations do not show them; null where the moves are not determined.
    ``least_redundancy`` (0 to 1) is how
    far the others check the station that is checked least, ``sure_slip`` the slip that shows four times in five
    wherever it is made; null where at some station none does.
    """

    count: int
    path: float
    stations: list[Stop]
    moves: list[MoveForecast]
    total: TotalForecast
    blind_to: list[Blind]
    least_redundancy: float
    sure_slip: float | None
    unchecked: list[Unchecked]
    gap_u: float | None
    efficiency: Efficiency


class Worth(Struct, frozen=True):
    """What stations are worth if nothing drifts, no reading being taken again at the end; lengths in `units`.

    ``largest_move_u`` is the standard uncertainty of the least certain move, ``gap_u`` that of the gap anywhere in the
    free area, root mean square; both are null where the stations do not determine all moves. ``least_redundancy`` (0 to
    1) is how far the others check the station that is checked least.
    """

    largest_move_u: float | None
    gap_u: float | None
    least_redundancy: float


class Compared(Struct, frozen=True):
    """The plan against a regular grid of as many stations; ``chosen`` says which of the two the answer is."""

    chosen: Literal["plan", "grid"]
    plan: Worth
    grid: Worth
    grid_stations: list[Spot]


class PlanSize(Worth, frozen=True):
    """What this many stations, as well chosen, would be worth.

    ``sure_slip`` is null where a slip could go unnoticed. It need not fall with every station more, for with more of
    them finer form is told from slips. ``chosen`` marks the number of the plan.
    """

    count: int
    sure_slip: float | None
    chosen: bool


class SurveyPlan(Struct, frozen=True):
    """Where to read a machine, and what the survey will be worth; lengths in the machine's unit, ``u`` with k = 1.

    ``plan`` is the plan proposed and ``yours`` the plan sent, if any; ``places`` is how many places were weighed and
    ``why_count`` where the number of stations comes from. ``reading_u`` is the standard uncertainty of one reading.
    """

    machine: str
    units: Literal["mm", "inch"]
    says: str
    plan: Rating
    yours: Rating | None
    yours_says: str
    against_grid: Compared
    sizes: list[PlanSize]
    places: int
    why_count: str
    reading_u: float
    cautions: list[str]
    solver_versions: dict[str, str]
