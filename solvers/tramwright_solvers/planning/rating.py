"""What a survey at given stations will be worth before it is read: every move's u, blind spots, slips that show.

All of it is what :func:`..correction.correct` would state for such a survey, by the same functions: the stations are
read once each in the order given, and the first again at the end, which allows for a steady drift.
"""

from __future__ import annotations

from math import erfc, exp, isfinite, sqrt

import numpy as np
from msgspec import Struct

from ..correction.setup import Setup
from ..diagnostics.form_terms import form
from ..diagnostics.likeness import patch_planes
from ..diagnostics.outliers import SlipCheck, slip_check
from ..diagnostics.reliability import LEAST_REDUNDANCY, reliability
from ..diagnostics.unobservable import unobservable_adjusters
from ..linalg.grids import bed_grid
from ..model.contract import Floats
from ..model.units import K
from ..reduction.covariance import GapCovariance
from ..reduction.readings import Where
from ..reduction.stations import StationLayout, a_priori, layout, plan_weights
from ..results.findings import Blind
from ..uncertainty.range import margin_as_read
from . import sentences
from .design import Determinant, best_design
from .model import TIE, Models, gains
from .results import Efficiency, MoveForecast, TotalForecast, Worth

NOT_WORSE = 1.0 + 1e-9


def read_at(points: Floats, closing: bool) -> tuple[Where, ...]:
    """Return the readings of stations (n, 2) in this order, each once, the first again at the end if ``closing``."""
    order = [*points.tolist(), points[0].tolist()] if closing else points.tolist()
    return tuple((x, y, "", 1, float(visit) if closing else None) for visit, (x, y) in enumerate(order))


def noise_of(plan: StationLayout) -> GapCovariance:
    """Return the noise of one survey of this layout before any repeat is looked at, shapes (1, n)."""
    return GapCovariance(a_priori(plan), plan.factors, None)


def reading_u(job: Setup) -> float:
    """Return the standard uncertainty of one reading at one station."""
    return sqrt(job.machine.indicator_variance + job.machine.repeat_variance)


def forecasts(job: Setup, points: Floats, blind: list[Blind]) -> list[MoveForecast]:
    """Return every adjuster's forecast for stations (n, 2) in the order of reading."""
    told = {one.what: one.detail for one in blind if one.kind == "adjuster"}
    ways = []
    for closing in (True, False):
        plan = layout(job.machine, read_at(points, closing))
        ways.append((noise_of(plan), {gain.adjuster: gain for gain in gains(job, plan.points, plan_weights(plan))}))
    found = []
    for index, (adjuster, solver) in enumerate(zip(job.adjusters, job.solver_of, strict=True)):
        if adjuster.id in job.held:
            why = sentences.held(adjuster.id)
        else:
            why = told.get(adjuster.id, "")
            if not why and index not in ways[0][1]:
                why = sentences.changes_nothing_seen(adjuster.id)
        if why:
            found.append(MoveForecast(adjuster.id, solver, None, None, [], why))
            continue
        (closed, with_closing), (steady, without) = ways
        each_u = closed.of(with_closing[index].gains, np.zeros(0))[0]
        # the first of those that are equal but for rounding; both figures are for its company
        worst = int((each_u >= each_u.max() * (1.0 - TIE)).argmax())
        company = with_closing[index].sets[worst]
        same = without[index].gains[without[index].sets.index(company)]
        found.append(
            MoveForecast(
                adjuster.id,
                solver,
                float(each_u[worst]),
                float(steady.of(same[None], np.zeros(0))[0, 0]),
                [job.adjusters[j].id for j in company if j != index],
                "",
            )
        )
    return found


def steady_u(job: Setup, points: Floats) -> Floats:
    """Return the largest u of every travel, (m,), in readings' u and without closing; 0 where an adjuster is still."""
    u = np.zeros(len(job.adjusters))
    for gain in gains(job, points, np.ones(len(points))):
        u[gain.adjuster] = float(np.linalg.norm(gain.gains, axis=1).max())
    return u


def total_forecast(job: Setup, points: Floats) -> TotalForecast:
    """Return how well totals over stations (n, 2) in the order of reading will be known."""
    machine = job.machine
    noise = noise_of(layout(machine, read_at(points, closing=True)))
    common, own = noise.factors @ noise.factors.T, noise.variance[0]
    alone = np.diag(common) + own
    between = alone[:, None] + alone - 2.0 * common
    np.fill_diagonal(between, 0.0)
    u = sqrt(float(between.max()))
    flat = reading_u(job) * mean_range(len(points))
    margin = margin_as_read(u, machine.division)
    most = machine.total_limit - margin
    return TotalForecast(
        u=u,
        steady_u=sqrt(2.0) * reading_u(job),
        expanded=K * u,
        k=K,
        limit=machine.total_limit,
        largest_within=most if most > 0.0 else None,
        noise=flat,
        smallest_limit=flat + margin,
    )


def mean_range(count: int) -> float:
    """Return the mean range of ``count`` independent standard normal values: the d₂ of control charts.

    The integral of 1 - Φⁿ - (1 - Φ)ⁿ over the whole line (L. H. C. Tippett, Biometrika 17, 1925, from memory), by the
    trapezium rule, which converges fast for so smooth a function.
    """
    step = 0.02
    below = np.array([0.5 * erfc(-x / sqrt(2.0)) for x in np.arange(-9.0, 9.0 + step / 2.0, step).tolist()])
    return float(np.sum(1.0 - below**count - (1.0 - below) ** count) * step)


def checked(job: Setup, points: Floats) -> SlipCheck:
    """Return the check of readings at stations (n, 2) against each other, as the correction makes it."""
    plan = layout(job.machine, read_at(points, closing=False))
    root = np.ones(len(points))
    columns = np.concatenate([form(job.machine.bed, points, root).columns, job.influence_at(points)], axis=1)
    if (patches := job.patches_at(points)) is not None:
        columns = np.concatenate([columns, patch_planes(job.machine.bed, points, patches, patches)], axis=1)
    return slip_check(job.machine, plan, reliability(columns, root), root)


def least_redundancy(check: SlipCheck) -> float:
    """Return how far the others check the station that is checked least."""
    return float(check.model.redundancy.min()) if check.model.dof else 0.0


def sure_slip(check: SlipCheck) -> float | None:
    """Return the slip that is noticed four times in five at whatever station, None where one is not checked at all."""
    largest = float(check.detectable.max() * check.unit)
    return largest if np.isfinite(largest) and check.model.dof >= 2 else None


def blind_to(job: Setup, points: Floats) -> list[Blind]:
    """Return what stations (n, 2) cannot show."""
    over_bed = job.influence_at(bed_grid(job.machine.bed))
    terms = form(job.machine.bed, points, np.ones(len(points))).blind()
    return terms + unobservable_adjusters(job.adjusters, job.influence_at(points), over_bed)


def efficiency(models: Models, chosen: list[int]) -> Efficiency:
    """Return how near a plan, as indices into the pool, comes to the best of its size for the moves alone."""
    if len(chosen) < models.least:
        return Efficiency(None, None, sentences.too_few_to_settle_moves(len(chosen), models.least))
    by_determinant, by_variance = Determinant(models.moves.columns), models.fit
    reached = by_determinant.value(chosen)
    if not np.isfinite(reached):
        return Efficiency(0.0, 0.0, sentences.OTHERS_WOULD_DETERMINE)
    best_d, best_i = (best_design([one], len(chosen), [chosen]) for one in (by_determinant, by_variance))
    return Efficiency(
        exp(by_determinant.value(best_d) - reached), by_variance.value(best_i) / by_variance.value(chosen), ""
    )


class Figures(Struct, frozen=True):
    """What plans are compared by, in readings' u: mean variances of travels and gap, largest u of a move, redundancy.

    The variances are infinite where the stations do not determine the moves.
    """

    moves: float
    gap: float
    largest_move: float
    redundancy: float

    @property
    def sound(self) -> bool:
        """Whether the stations determine the moves."""
        return isfinite(self.moves) and isfinite(self.gap)

    def as_good_as(self, grid: Figures) -> bool:
        """Say whether this is worse than a grid in nothing, and checks every station where the grid does."""
        if not grid.sound:
            return True
        pairs = ((self.moves, grid.moves), (self.gap, grid.gap), (self.largest_move, grid.largest_move))
        return all(own <= its * NOT_WORSE for own, its in pairs) and self.redundancy >= min(
            grid.redundancy, LEAST_REDUNDANCY
        )

    def over(self, best: Figures) -> float:
        """Return how many times larger than those of the best the uncertainties are, of moves and gap together."""
        return sqrt(0.5 * (self.moves / best.moves + self.gap / best.gap))

    def worth(self, unit: float) -> Worth:
        """Return these figures for a reading's u of ``unit``."""
        if not self.sound:
            return Worth(None, None, self.redundancy)
        return Worth(unit * self.largest_move, unit * sqrt(self.gap), self.redundancy)
