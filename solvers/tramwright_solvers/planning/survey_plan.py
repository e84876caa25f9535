"""Survey plans: which stations to read, in which order, and the uncertainties that a survey there will have.

Stations are chosen by exchange among the places of the free area (:mod:`.design`) so that the moves and the gap
between the stations are known best together (:mod:`.model`), and never worse in either than by a regular grid of
as many stations. Each plan is then rated by the functions that the correction itself uses (:mod:`.rating`).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, sqrt
from typing import Annotated, Generic, Literal

import numpy as np
from msgspec import Meta, Struct, field

from ..correction.setup import Setup, set_up
from ..mechanisms.registry import Registry, installed
from ..model.contract import Floats
from ..model.deadline import NEVER, Deadline
from ..model.errors import Refused
from ..model.machine import Machine
from ..model.options import CheckedSolve, M
from ..model.quantities import LEAST_STATIONS
from ..reduction.validation import machine_faults
from . import sentences
from .area import Area, places, regular_grid, spacing_faults, station_faults
from .design import LARGE, SCATTERED, Trace, best_design
from .model import Models, models
from .path import reading_order
from .rating import (
    Figures,
    blind_to,
    checked,
    efficiency,
    forecasts,
    least_redundancy,
    reading_u,
    steady_u,
    sure_slip,
    total_forecast,
)
from .results import Compared, PlanSize, Rating, Rounding, Spot, Stop, SurveyPlan

MOST_STATIONS = 400

SHARE = 2
"""Stations for each term unless a number is asked for: then half of the readings check the other half."""

WEIGHTS = (1.0, 0.5, 2.0, 0.25, 4.0)
"""How much the moves count against the gap between the stations, each over what a regular grid attains; the first at
which the plan is worse than the grid in nothing is taken."""

IN_ROWS = 1.02
"""What stations in rows may cost: the ratio of their u, root mean square of moves and gap. Our own choice."""
FEWEST_ROWS = 3
"""Rows that show a bow across them."""


class PlanSolve(Struct, Generic[M], metaclass=CheckedSolve, frozen=True, forbid_unknown_fields=True):
    """Which adjusters the survey is for."""

    with_: Annotated[
        list[M],
        Meta(
            max_length=16,
            description="Solvers whose adjusters the survey is for, each with its options; empty or left out, all "
            "that the machine's description supports.",
        ),
    ] = field(name="with", default_factory=list)
    offset: Annotated[
        Literal["free", "keep"],
        Meta(
            description="`free`: the indicator or tool is zeroed anew after tramming. `keep`: the zero stays, and the "
            "gap is to come to zero."
        ),
    ] = "free"


def plan_survey(
    machine: Machine,
    solve: PlanSolve[M],
    area: Area,
    count: int | None = None,
    stations: Sequence[Spot] | None = None,
    registry: Registry | None = None,
    within: Deadline = NEVER,
) -> SurveyPlan:
    """Choose stations for a machine and rate them, and the plan sent beside them, if there is one.

    Raises:
        OutOfTime: ``within`` has passed.
        Refused: machine, solvers, area, count or stations do not make sense; every fault found is listed.
    """
    registry = registry or installed()
    job, faults = None, registry.unread_extras(machine)
    try:
        picked = () if solve.with_ else registry.suited(machine)
        job = set_up(machine, solve.with_, picked, solve.offset == "free")
    except Refused as refused:
        faults += refused.faults
    if not machine_faults(machine):
        faults += area.faults(machine) or spacing_faults(machine, area)
        faults += station_faults(machine, area, stations)
    if job is None or faults:
        raise Refused(faults)
    free = places(machine, area)
    if len(free) < LEAST_STATIONS:
        raise Refused.at(
            "/keep_out" if area.keep_out else "/margin",
            sentences.NO_ROOM_FOR_STATIONS,
        )
    sent = np.array([(spot.x, spot.y) for spot in stations]) if stations else np.zeros((0, 2))
    size, why = wanted(job, free, count, len(sent))
    task = Task(job, area, free, within)
    chosen, compared, prepared = task.best(size, SCATTERED)
    rounding = task.rounding(prepared, chosen, compared.grid_stations)
    plan = task.rated(prepared, chosen)
    yours = None
    if len(sent):
        others = prepared.pool[~among(prepared.pool, sent)]
        everything = models(job, free, np.concatenate([others, sent]))
        yours = task.rated(everything, list(range(len(others), len(everything.pool))))
    return SurveyPlan(
        machine=machine.id,
        units=machine.units,
        says=sentences.worth(plan, machine.units),
        plan=plan,
        yours=yours,
        yours_says=sentences.worth(yours, machine.units) if yours else "",
        rounding=rounding,
        against_grid=compared,
        sizes=task.sizes(prepared, size, plan, compared),
        places=len(free),
        why_count=why,
        reading_u=reading_u(job),
        cautions=sentences.cautions(
            [i for i, stop in enumerate(plan.stations, 1) if stop.over_kept_out],
            [mechanism.name() for mechanism, _ in job.parts if not mechanism.linear],
        ),
        solver_versions={mechanism.name(): mechanism.version for mechanism, _ in job.parts},
    )


class Task(Struct, frozen=True):
    """One machine, the places (A, 2) where it may be read, and until when somebody waits for the plan."""

    job: Setup
    area: Area
    free: Floats
    within: Deadline

    def best(self, count: int, scattered: int) -> tuple[list[int], Compared, Models]:
        """Return the best plan of this size as indices into the pool of the models, and how it compares to a grid."""
        grid = regular_grid(self.job.machine, self.area, self.free, count)
        known = models(self.job, self.free, np.concatenate([self.free, grid[~among(grid, self.free)]]))
        regular = indices(known.pool, grid)
        of_grid = self.figures(known, regular)
        thorough = bool(scattered) and of_grid.sound and count * len(known.pool) <= LARGE
        near = self.near(known.pool, count)
        chosen, reached = self.designed(
            known, regular, of_grid, scattered if thorough else 0, near, WEIGHTS if thorough else WEIGHTS[:1]
        )
        if thorough:
            chosen, reached = self.in_rows(known, (chosen, reached), of_grid)
        same = sorted(chosen) == sorted(regular)
        spots = [Spot(x, y) for x, y in grid.tolist()]
        unit = reading_u(self.job)
        return chosen, Compared("grid" if same else "plan", reached.worth(unit), of_grid.worth(unit), spots), known

    def designed(
        self,
        known: Models,
        start: list[int],
        grid: Figures,
        scattered: int,
        near: np.ndarray | None,
        weights: Sequence[float],
    ) -> tuple[list[int], Figures]:
        """Return the best plan found that is worse than a grid in nothing, or that of the start."""
        for weight in weights:
            criteria = self.criteria(known, grid, weight)
            found = best_design(criteria, len(start), [start], scattered, self.within, near)
            own = self.figures(known, found)
            if own.as_good_as(grid):
                return found, own
        return start, self.figures(known, start)

    def criteria(self, known: Models, grid: Figures, weight: float = WEIGHTS[0]) -> list[Trace]:
        """Return moves and gap, each over what a grid attains."""
        shares = (weight / grid.moves, 1.0 / grid.gap) if grid.sound else (weight, 1.0)
        return [
            Trace(one.columns, one.prior, share * one.moments)
            for one, share in zip((known.moves, known.form), shares, strict=True)
        ]

    def near(self, pool: Floats, count: int) -> np.ndarray:
        """Return which places (N, N) are too near each other for two of so many stations."""
        least = self.area.apart(self.job.machine, count) * (1.0 - 1e-9)
        return np.asarray(np.hypot(*(pool[:, None] - pool[None]).transpose(2, 0, 1)) < least)

    def in_rows(self, known: Models, best: tuple[list[int], Figures], grid: Figures) -> tuple[list[int], Figures]:
        """Return the plan in the fewest rows along x that costs little against the best one, or that one."""
        count, (_, free) = len(best[0]), best
        levels = np.unique(known.pool[:, 1])
        for rows in range(FEWEST_ROWS, min(count // 2, len(np.unique(known.pool[best[0], 1])) - 1) + 1):
            kept = levels[np.round(np.linspace(0, len(levels) - 1, rows)).astype(int)]
            here = np.flatnonzero(np.isin(known.pool[:, 1], kept))
            if len(here) < count:
                continue
            part = [Trace(one.columns[here], one.prior, one.moments) for one in self.criteria(known, grid)]
            near = self.near(known.pool[here], count)
            if not (found := best_design(part, count, (), 1, self.within, near)):
                continue
            chosen = here[found].tolist()
            own = self.figures(known, chosen)
            if own.sound and own.as_good_as(grid) and own.over(free) <= IN_ROWS:
                return chosen, own
        return best

    def rounding(self, known: Models, chosen: list[int], grid: Sequence[Spot]) -> Rounding:
        """Return how the stations are set up, and what that costs against stations that may stand anywhere."""
        machine, count = self.job.machine, len(chosen)
        step, points = self.area.whole_step(machine), known.pool[chosen]
        costs, own = None, self.figures(known, chosen)
        if own.sound:
            fine = places(machine, self.area, anywhere=True)
            anywhere = models(self.job, self.free, np.concatenate([fine[~among(fine, points)], points]))
            mine = list(range(len(anywhere.pool) - count, len(anywhere.pool)))
            of_grid = self.figures(known, indices(known.pool, np.array([(spot.x, spot.y) for spot in grid])))
            found = [self.designed(anywhere, mine, of_grid, 0, None, (weight,))[1] for weight in WEIGHTS]
            costs = max(0.0, *(own.over(one) - 1.0 for one in found))
        rows = len(np.unique(points[:, 1]))
        apart = float(nearest(points).min())
        return Rounding(step, apart, rows, costs, sentences.rounding(step, apart, rows, count, costs, machine.units))

    def figures(self, known: Models, chosen: list[int]) -> Figures:
        """Return what a plan, as indices into the pool, is compared by."""
        points = known.pool[chosen]
        return Figures(
            moves=known.moves.value(chosen),
            gap=known.form.value(chosen),
            largest_move=float(steady_u(self.job, points).max()),
            redundancy=least_redundancy(checked(self.job, points)),
        )

    def rated(self, known: Models, chosen: list[int]) -> Rating:
        """Return the rating of a plan given as indices into the pool, in the order in which to read it."""
        job, points = self.job, known.pool[chosen]
        points = points[reading_order(points)]
        check, unseen = checked(job, points), blind_to(job, points)
        variance = known.form.value(chosen)
        stops = self.stops(points)
        return Rating(
            count=len(points),
            path=sum(stop.leg for stop in stops),
            stations=stops,
            moves=forecasts(job, points, unseen),
            total=total_forecast(job, points),
            blind_to=unseen,
            least_redundancy=least_redundancy(check),
            sure_slip=sure_slip(check),
            unchecked=check.unchecked(),
            gap_u=reading_u(job) * sqrt(variance) if np.isfinite(variance) else None,
            efficiency=efficiency(known, chosen),
        )

    def stops(self, points: Floats) -> list[Stop]:
        """Return the stations in their order with the ways between them."""
        before = np.roll(points, 1, axis=0)
        legs = np.hypot(*(points - before).T).tolist()
        over = self.area.crossed(before, points).tolist()
        return [Stop(x, y, leg, across) for (x, y), leg, across in zip(points.tolist(), legs, over, strict=True)]

    def sizes(self, known: Models, size: int, plan: Rating, compared: Compared) -> list[PlanSize]:
        """Return what fewer and more stations would be worth."""
        terms, most = known.terms, min(MOST_STATIONS, len(self.free))
        asked = {known.least, terms, ceil(1.5 * terms), 2 * terms, 3 * terms, 4 * terms, 6 * terms, size}
        listed = []
        for count in sorted(number for number in asked if max(LEAST_STATIONS, known.least) <= number <= most):
            worth, slip = compared.plan, plan.sure_slip
            if count != size:
                chosen, against, pool = self.best(count, 0)
                worth, slip = against.plan, sure_slip(checked(self.job, pool.pool[chosen]))
            listed.append(
                PlanSize(worth.largest_move_u, worth.gap_u, worth.least_redundancy, count, slip, count == size)
            )
        return listed


def indices(pool: Floats, points: Floats) -> list[int]:
    """Return where in the pool (N, 2) each point (n, 2) stands."""
    return [int(np.argmin(np.hypot(*(pool - at).T))) for at in points]


def nearest(points: Floats) -> Floats:
    """Return the distance of each point (n, 2) from the nearest other one."""
    apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    return np.asarray(apart.min(axis=1))


def among(points: Floats, others: Floats) -> np.ndarray:
    """Return which points (n, 2) are among others (N, 2)."""
    return np.asarray([bool(np.any(np.all(others == point, axis=1))) for point in points])


def wanted(job: Setup, free: Floats, count: int | None, sent: int) -> tuple[int, str]:
    """Return how many stations to choose, and why.

    Raises:
        Refused: more or fewer than the places and the moves allow.
    """
    known = models(job, free, free[:1])
    least, most = max(LEAST_STATIONS, known.least), min(MOST_STATIONS, len(free))
    if most < least:
        raise Refused.at("/spacing", sentences.too_few_places(most, least))
    if count is not None:
        if count < least:
            raise Refused.at("/count", sentences.too_few_asked_for(count, least))
        if count > most:
            raise Refused.at("/count", sentences.too_many_asked_for(most))
        return count, sentences.count_asked_for(count)
    if max(least, known.terms) <= sent <= most:
        return sent, sentences.count_of_your_plan(sent)
    size = min(max(SHARE * known.terms, least), most)
    if size == SHARE * known.terms:
        return size, sentences.count_by_terms(known.terms)
    return size, sentences.count_that_fits(size)
