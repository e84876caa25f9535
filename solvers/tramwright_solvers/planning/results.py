"""The answer to where a machine should be read. Lengths are in the machine's unit; ``u`` is a standard uncertainty.

Arrays are complete and nothing is rounded; views round for people.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from msgspec import Meta, Struct

from ..model.quantities import (
    AdjusterId,
    Cautions,
    Coordinate,
    CoverageFactor,
    MachineId,
    SolverName,
    SolverVersions,
    Units,
    X,
    Y,
)
from ..results.findings import Blind, Unchecked
from ..results.shown import Shown


class Spot(Struct, frozen=True, forbid_unknown_fields=True):
    """A station."""

    x: Annotated[Coordinate, Meta(description="Position along x, to the right, in `units`.")]
    y: Annotated[Coordinate, Meta(description="Position along y, to the rear, in `units`.")]


class Stop(Struct, frozen=True):
    """One station in the order of reading."""

    x: X
    y: Y
    leg: Annotated[
        float,
        Meta(description="Straight way from the station before, in `units`; the first station's is from the last."),
    ]
    over_kept_out: Annotated[bool, Meta(description="True where this way passes over a kept-out place.")]


class MoveForecast(Struct, frozen=True):
    """How well one adjuster's travel will be known.

    Both uncertainties are for the least effort that does all the adjusters can do with this one among them; of several
    ways of equal effort the one of largest ``u``, in which ``together_with`` move too; a correction that moves others
    with it states less.
    """

    adjuster: AdjusterId
    solver: SolverName
    u: Annotated[
        float | None,
        Meta(
            description="Standard uncertainty (k = 1) of the travel, in `units`, as the correction will state it: "
            "stations read in this order, the first once more at the end, drift estimated. Null where the "
            "stations do not determine the travel."
        ),
    ]
    steady_u: Annotated[
        float | None,
        Meta(
            description="The same for the same adjusters, without the closing reading if nothing drifts, in `units`; "
            "null where `u` is."
        ),
    ]
    together_with: Annotated[
        list[str],
        Meta(
            description="Adjusters, by `id`, that move together with this one in the case described; empty where `u` "
            "is null."
        ),
    ]
    why: Annotated[str, Meta(description="Why the travel is not determined; empty where it is.")]


class TotalForecast(Struct, frozen=True):
    """How well a total read in this survey will be known, and what can be declared within the limit (ISO 14253-1).

    A total predicted for after the moves is less certain by the errors of setting them, which are not in here.
    """

    u: Annotated[
        float,
        Meta(description="Standard uncertainty (k = 1) of the total with the closing reading, at most, in `units`."),
    ]
    steady_u: Annotated[float, Meta(description="The same without the closing reading if nothing drifts, in `units`.")]
    expanded: Annotated[float, Meta(description="Expanded uncertainty U = k · u, in `units`.")]
    k: CoverageFactor
    limit: Annotated[float, Meta(description="Largest total that is still good, in `units`.")]
    largest_within: Annotated[
        float | None,
        Meta(
            description="Largest total as read that proves to be within the limit, in `units`: below it by 1.675 u and "
            "half a division, as the verdict takes it; null where no total would."
        ),
    ]
    noise: Annotated[
        float,
        Meta(
            description="Total that a perfectly flat bed would show on average by the readings' uncertainty alone, in "
            "`units`."
        ),
    ]
    smallest_limit: Annotated[
        float,
        Meta(
            description="Tightest limit that such a bed would still be proven to keep, in `units`: `noise`, 1.675 u "
            "and half a division."
        ),
    ]


class Efficiency(Struct, frozen=True):
    """How near a plan comes to the best of the same size for the moves alone; 1 is the best found."""

    d_efficiency: Annotated[
        float | None,
        Meta(
            description="0 to 1: by the determinant of the information, for each term; 0 where the plan does not "
            "determine the moves, null where no plan of its size does."
        ),
    ]
    i_efficiency: Annotated[
        float | None,
        Meta(
            description="0 to 1: by the mean variance of the adjusters' fit over the free area; 0 and null as for "
            "`d_efficiency`."
        ),
    ]
    why: Annotated[str, Meta(description="Why it is 0 or null; empty elsewhere.")]


class Rating(Struct, frozen=True):
    """What a survey at these stations is worth.

    ``gap_u`` is the root mean square uncertainty of the gap anywhere in the free area, bows of ten times and waves of
    half a reading's u being thought of where the stations do not show them; null where the moves are not determined.
    ``least_redundancy`` (0 to 1) is how
    far the others check the station that is checked least, ``sure_slip`` the slip that shows four times in five
    wherever it is made; null where at some station none does.
    """

    count: Annotated[int, Meta(description="Number of stations.")]
    path: Annotated[float, Meta(description="Length of the whole way round, back to the first station, in `units`.")]
    stations: Annotated[list[Stop], Meta(description="Stations in the order in which to read them.")]
    moves: Annotated[list[MoveForecast], Meta(description="How well each adjuster's travel will be known.")]
    total: Annotated[TotalForecast, Meta(description="How well the total will be known.")]
    blind_to: Annotated[
        list[Blind], Meta(description="Terms and adjusters that these stations cannot see; empty where they see all.")
    ]
    least_redundancy: Annotated[
        float,
        Meta(description="How far the others check the station that is checked least, 0 (not at all) to 1 (wholly)."),
    ]
    sure_slip: Annotated[
        float | None,
        Meta(
            description="Slip that is named four times in five wherever it is made, in `units`, on a plate that tilts, "
            "twists and bows; null where at some station none is, or none can be told from one at another."
        ),
    ]
    unchecked: Annotated[
        list[Unchecked], Meta(description="Stations where a slip could go unnoticed; empty where it shows everywhere.")
    ]
    gap_u: Annotated[
        float | None,
        Meta(
            description="Root mean square uncertainty of the gap over the free area, in `units`, allowing for form "
            "that the stations do not show: bows of ten times and waves of half a reading's u. Null where "
            "the moves are not determined."
        ),
    ]
    efficiency: Annotated[
        Efficiency, Meta(description="How near the plan comes to the best of its size for the moves alone.")
    ]


class Worth(Struct, frozen=True):
    """What stations are worth if nothing drifts, no reading being taken again at the end."""

    largest_move_u: Annotated[
        float | None,
        Meta(
            description="Standard uncertainty (k = 1) of the least certain move, in `units`; null where the stations "
            "do not determine all moves."
        ),
    ]
    gap_u: Annotated[
        float | None,
        Meta(
            description="Root mean square uncertainty of the gap over the free area, in `units`; null where the "
            "stations do not determine all moves."
        ),
    ]
    least_redundancy: Annotated[
        float,
        Meta(description="How far the others check the station that is checked least, 0 (not at all) to 1 (wholly)."),
    ]


class Compared(Struct, frozen=True):
    """The plan against a regular grid of as many stations."""

    chosen: Annotated[Literal["plan", "grid"], Meta(description="Which of the two the answer is.")]
    plan: Annotated[Worth, Meta(description="What the plan is worth.")]
    grid: Annotated[Worth, Meta(description="What the grid is worth.")]
    grid_stations: Annotated[list[Spot], Meta(description="Stations of the grid.")]


class Rounding(Struct, frozen=True):
    """How the stations can be set up by hand, and what that costs."""

    step: Annotated[float, Meta(description="Stations of the plan stand on whole multiples of this, in `units`.")]
    apart: Annotated[float, Meta(description="Smallest distance of two stations, in `units`.")]
    rows: Annotated[int, Meta(description="How many rows along x the stations stand in.")]
    costs: Annotated[
        float | None,
        Meta(
            description="How much larger u is, as a share, root mean square of moves and gap, than at stations that "
            "may stand anywhere; 0 where none better were found, null where the moves are not determined."
        ),
    ]
    says: Annotated[str, Meta(description="The same in a sentence or two.")]


class PlanSize(Worth, frozen=True):
    """What this many stations, as well chosen, would be worth."""

    count: Annotated[int, Meta(description="Number of stations.")]
    sure_slip: Annotated[
        float | None,
        Meta(
            description="Slip that is named four times in five wherever it is made, in `units`, on a plate that "
            "tilts, twists and bows; null where one could go unnoticed or be laid to another "
            "reading. It need not fall with every station more, since with more of them finer "
            "form is told from slips."
        ),
    ]
    chosen: Annotated[bool, Meta(description="True for the number of stations of the plan.")]


class SurveyPlan(Shown, frozen=True):
    """Where to read a machine, and what the survey will be worth."""

    view: ClassVar[str] = "survey_plan"

    machine: MachineId
    units: Units
    says: Annotated[str, Meta(description="What the plan is worth, in two or three sentences.")]
    plan: Annotated[Rating, Meta(description="The plan proposed.")]
    yours: Annotated[Rating | None, Meta(description="The plan sent, rated in the same way; null where none was sent.")]
    yours_says: Annotated[
        str, Meta(description="What the plan sent is worth, in two or three sentences; empty where none was sent.")
    ]
    rounding: Annotated[Rounding, Meta(description="How the stations can be set up, and what that costs.")]
    against_grid: Annotated[Compared, Meta(description="The plan against a regular grid.")]
    sizes: Annotated[list[PlanSize], Meta(description="What fewer and more stations would be worth.")]
    places: Annotated[int, Meta(description="Number of places that were weighed.")]
    why_count: Annotated[str, Meta(description="Where the number of stations comes from.")]
    reading_u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of one reading, in `units`.")]
    cautions: Cautions
    solver_versions: SolverVersions
