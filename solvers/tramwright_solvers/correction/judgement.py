"""What a good mechanic would do with a survey before any move: read again, read more, leave it, or go on.

The arithmetic answers whatever was read. Here its answer is withheld where the readings contradict each other and the
moves or the verdict hang on it, and where the stations do not show what the moves or the verdict need.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from ..diagnostics.closing_jump import ClosingDoubt
from ..diagnostics.without_outliers import refit
from ..linalg.grids import CORNERS
from ..linalg.orthogonalize import dominant
from ..model.contract import Floats
from ..model.errors import Refused
from ..model.survey import Survey
from ..model.units import DECIMALS, K
from ..reduction.covariance import GapCovariance
from ..reduction.repeats import Odd
from ..reduction.sentences import station_at
from ..results.correction import Advice, MovesAnswer, Refit
from ..results.findings import Place, Suspect
from ..uncertainty.conformity import verdict
from . import sentences
from .decision import Decision
from .geometry import Geometry
from .more_stations import places_farthest_moved, places_to_read

REPEATS = "repeats disagree"
"""The likely slip of a suspect whose own repeats contradict each other."""


DIAL_RANGE = 2.0
"""Range of a dial indicator over the farthest travel: 10 mm, common practice, no source."""


MOST_OF_IT = 0.4
"""Share of what is left that remains without a reading which makes most of it. Our own choice."""

MOST_BEYOND = 1.0 / 3.0
"""Share of what moves gain at the stations by which they may change the bed beyond them. Our own choice, by the
judgement collection: of 2 000 beds one half left one worse at a corner nobody had read."""

SCATTER = 5.0
"""Range of a few dozen readings in their standard deviations. From memory of tables of the relative range."""

RANK = 1e-9
"""Share of a column that has to be its own."""


class Doubt(Struct, frozen=True):
    """Why a survey bears no verdict yet, and what to read first; ``moves`` says whether moves may be made meanwhile."""

    says: str
    advice: Advice
    moves: bool = False


class Judged(Struct, frozen=True):
    """One survey's readings judged: its suspects, the answer without them, and what stands against acting on it.

    ``drift`` is by how much they drift though no station was read again.
    """

    suspects: list[Suspect]
    refit: Refit | None = None
    doubt: Doubt | None = None
    drift: float = 0.0


def suspects_with_repeats(
    prepared: Geometry, odd: Sequence[Odd], values: Sequence[float], others: list[Suspect]
) -> list[Suspect]:
    """Return the stations whose own repeats disagree, and the suspects elsewhere."""
    if not odd:
        return others
    layout, slips, unit = prepared.layout, prepared.slips, prepared.machine.units
    digits, groups = DECIMALS[unit], np.split(np.array(values)[layout.order], layout.starts[1:])
    found = []
    for one in odd:
        station = int(layout.group_station[one.group])
        place, own = prepared.places[station], groups[one.group]
        low, high = f"{own.min():+.{digits}f}", f"{own.max():+.{digits}f}"
        found.append(
            Suspect(
                x=place.x,
                y=place.y,
                value=one.value,
                expected=one.others,
                standardized=one.deviation,
                likely=REPEATS,
                says=sentences.repeats_differ(station_at(place.x, place.y), low, high, unit),
                redundancy=float(slips.model.redundancy[station]),
                smallest_detectable=min(float(slips.detectable[station]) * slips.unit, 1e300),
            )
        )
    named = {(one.x, one.y) for one in found}
    return found + [one for one in others if (one.x, one.y) not in named]


UNJUDGED = Judged([])
"""A survey before it is judged."""


def judge(
    surveys: Sequence[Survey],
    decided: Decision,
    noise: GapCovariance,
    suspects: Sequence[list[Suspect]],
    closings: Sequence[ClosingDoubt | None],
    drifts: Floats,
    again: Callable[[int, Survey], MovesAnswer],
) -> tuple[Decision, list[Judged]]:
    """Return the decision in which nothing is moved where nothing must be yet, and the judgement on each survey.

    ``suspects`` are the readings of each survey that the others contradict, ``closings`` its closing errors that may be
    no drift, ``drifts`` (N,) what it drifted though no station was read again; ``again`` answers a survey that leaves
    stations out, in place of the survey with this number.
    """
    judged = [
        Judged(own, drift=drift) if own or drift else UNJUDGED
        for own, drift in zip(suspects, drifts.tolist(), strict=True)
    ]
    for row, own in enumerate(suspects):
        if own:
            without = refit(surveys[row], own, partial(again, row))
            doubt = _contradicted(decided, row, noise.variance[row], own, without)
            judged[row] = replace(judged[row], refit=without, doubt=doubt)
    for row, closing in enumerate(closings):
        if closing and (doubt := _no_drift(decided, row, closing)):
            judged[row] = replace(judged[row], doubt=doubt)
    for row in drifts.nonzero()[0].tolist():
        if judged[row].doubt is None and (doubt := _drifted(decided, row, float(drifts[row]))):
            judged[row] = replace(judged[row], doubt=doubt)
    for row in _questionable(decided):
        asked = decided.prepared[row], decided, row
        if judged[row].doubt is None and (
            doubt := _too_far(*asked)
            or _one_reading(*asked)
            or _gain_of_one(*asked)
            or _unseen(*asked)
            or _corners_unread(*asked)
        ):
            judged[row] = replace(judged[row], doubt=doubt)
    for row, geometry in enumerate(decided.prepared):
        if geometry.questioned and ((one := judged[row]).doubt is None or one.doubt.moves):
            judged[row] = replace(one, doubt=_refused(geometry, decided.chosen.travels[row]) or one.doubt)
    still = [row for row, one in enumerate(judged) if one.doubt and not one.doubt.moves]
    if still:
        decided = replace(decided, chosen=decided.chosen.standing_still(still))
    return decided, judged


def _contradicted(
    decided: Decision, row: int, variance: Floats, suspects: Sequence[Suspect], without: Refit | None
) -> Doubt | None:
    """Return the doubt where a verdict is another without the suspects, or the total or a travel by more than its U."""
    prepared, ((found, known), (_, expected)) = decided.prepared[row], (state[row] for state in decided.extremes)
    if without is not None and without.verdict is not None and without.moves is not None:
        told = verdict(prepared.machine, known, expected, variance)
        travels, u = decided.chosen.travels[row].copy(), decided.chosen.u[row]
        for move in without.moves:
            travels[prepared.place_of[move.adjuster]] -= move.travel
        changed = abs(found.total - without.as_found.total) if without.as_found else np.inf
        same = changed <= found.expanded and (told.as_found, told.predicted) == (
            without.verdict.as_found,
            without.verdict.predicted,
        )
        if same and bool(np.all(np.abs(travels) <= K * u)):
            return None
    # what was read more than once and agrees is the bed's own form more likely than the same slip twice
    once = [one for one in suspects if one.likely == REPEATS or not prepared.read_twice(one.x, one.y)]
    if not once:
        return None
    places = tuple(Place(one.x, one.y) for one in once)
    return Doubt(sentences.read_suspects_first([(one.x, one.y) for one in once]), Advice("read-again", places))


def _no_drift(decided: Decision, row: int, closing: ClosingDoubt) -> Doubt | None:
    """Return the doubt where a closing error that may be no drift makes a difference to the total beyond its U."""
    prepared, drift, total = decided.prepared[row], float(decided.scores.total[row, 0]), float(np.ptp(closing.gaps))
    if abs(total - drift) <= K * float(decided.scores.u[row, 0]):
        return None
    unit, sense = prepared.machine.units, prepared.machine.sense
    before, after, closed = (
        station_at(place.x, place.y)
        for place in (prepared.places[at] for at in (closing.before, closing.after, closing.closed))
    )
    says = sentences.closing_error(closing.setup, sense * closing.error, closed, unit)
    if not closing.sure:
        says += sentences.drift_or_jump(total, drift, after, unit)
    elif closing.kind == "jump":
        says += sentences.jumped(sense * closing.size, before, after, total, drift, unit)
    else:
        says += sentences.misread_at(sense * closing.size, after, total, drift, unit)
    return Doubt(says, Advice("read-again", (prepared.places[closing.after],)))


def _drifted(decided: Decision, row: int, drift: float) -> Doubt | None:
    """Return the doubt where the readings drifted by more than the U of the total, and nothing takes it off."""
    if abs(drift) <= K * float(decided.scores.u[row, 0]):
        return None
    prepared = decided.prepared[row]
    first = prepared.places[0]
    says = sentences.drifted(prepared.machine.sense * drift, station_at(first.x, first.y), prepared.machine.units)
    return Doubt(says, Advice("read-again", (first,)))


def _questionable(decided: Decision) -> list[int]:
    """Return the surveys of which one of the doubts below may have something to say."""
    chosen, totals = decided.chosen, decided.totals
    own = decided.prepared[: len(decided.options.least)]  # one for all, or one for each
    far, reading_u, shown, blind = np.array([one.bounds for one in own]).T
    (total, left), sure, scatter = totals.total, K * totals.u[1], SCATTER * reading_u
    unknown = np.array([one.unseen_adjusters for one in own]) | (chosen.u > shown[:, None])
    doubtful = (np.abs(chosen.travels) > np.where(unknown, 0.0, far[:, None])).any(axis=1)
    doubtful |= (total > DIAL_RANGE * far) | (left > np.maximum(scatter, decided.options.limit)) | (blind > 0.0)
    if np.count_nonzero(wide := left > scatter):
        over_bed, at_stations = (
            np.ptp(np.matmul(np.array(columns), chosen.travels[:, :, None]), axis=1)[:, 0]
            for columns in zip(*((one.influence_over_bed, one.influence) for one in own), strict=True)
        )
        doubtful |= wide & ((1.0 + RANK) * over_bed - at_stations > MOST_BEYOND * (total - left))
    found = np.sort(totals.left[0], axis=1)
    but_one = np.minimum(found[:, -2] - found[:, 0], found[:, -1] - found[:, 1])
    doubtful |= (but_one - left <= sure) & (total - but_one > sure)
    rows: list[int] = doubtful.nonzero()[0].tolist()
    return rows


def _corners_unread(prepared: Geometry, decided: Decision, row: int) -> Doubt | None:
    """Return the doubt where the moves change the bed beyond the stations by more than a third of what they gain at
    them.

    Where they leave no more than readings scatter by, the gap has the form that they make, beyond the stations too.
    """
    travels, (found, left) = (
        decided.chosen.travels[row],
        decided.scores.total[row, [0, decided.chosen.index[row]]].tolist(),
    )
    gained = found - left
    # moves that conditions ask for are not made for what they gain, and work begun was judged as a whole
    begun = prepared.begun.issuperset(np.flatnonzero(travels).tolist())
    if begun or left <= SCATTER * prepared.reading_u or not prepared.limits.may_stand:
        return None
    over_bed, at_stations = (
        float(np.ptp(columns @ travels)) for columns in (prepared.influence_over_bed, prepared.influence)
    )
    if over_bed - at_stations <= gained * MOST_BEYOND or not (places := places_farthest_moved(prepared, travels)):
        return None
    says = sentences.corners_unread(
        over_bed, at_stations, gained, [(one.x, one.y) for one in places], prepared.machine.units
    )
    return Doubt(says, Advice("read-more", places))


def _unseen(prepared: Geometry, decided: Decision, row: int) -> Doubt | None:
    """Return the doubt where the stations do not show a tilt, the twist, or what an adjuster that is moved does."""
    travels, u = decided.chosen.travels[row], decided.chosen.u[row]
    moved = np.flatnonzero((travels != 0.0) & (prepared.unseen_adjusters | (u > prepared.shown)))
    if not len(moved) and not prepared.unseen_terms:
        return None
    names = [*prepared.unseen_terms, *(prepared.adjusters[index].id for index in moved.tolist())]
    places = places_to_read(prepared, tuple(moved.tolist()))
    says = sentences.read_more_first(names, [(one.x, one.y) for one in places])
    # what only tilts the bed may level it meanwhile; what twists it would twist what is not seen
    corners = (prepared.influence_over_bed @ travels)[list(CORNERS)]
    twist = abs(corners[0] - corners[1] - corners[2] + corners[3])
    return Doubt(says, Advice("read-more", places), moves=names == ["twist"] and twist <= RANK * np.abs(corners).max())


def _too_far(prepared: Geometry, decided: Decision, row: int) -> Doubt | None:
    """Return the doubt where readings or travels are larger than tramming with a dial ever has them."""
    travels, unit, total = decided.chosen.travels[row], prepared.machine.units, float(decided.scores.total[row, 0])
    far = np.flatnonzero(np.abs(travels) > prepared.far)
    if len(far):
        names = [prepared.adjusters[index].id for index in far.tolist()]
        says = sentences.too_far(names, float(np.abs(travels).max()), prepared.far, unit)
    elif total > DIAL_RANGE * prepared.far:
        says = sentences.beyond_the_dial(total, unit)
    else:
        return None
    left = decided.totals.left[0, row]
    ends = tuple(prepared.places[int(at)] for at in (left.argmax(), left.argmin()))
    return Doubt(says, Advice("read-again", ends))


def _refused(prepared: Geometry, travels: Floats) -> Doubt | None:
    """Return the doubt where a mechanism refuses to carry out the travels: read where that adjuster shows most."""
    for mechanism, columns in prepared.questioned:
        try:
            mechanism.parts(prepared.moving(mechanism, columns, travels))
        except Refused as refused:
            fault = refused.faults[0]
            at = next((place for place, one in enumerate(prepared.adjusters) if one.pointer == fault.pointer), 0)
            place = prepared.places[prepared.parking.own[at].station]
            return Doubt(sentences.move_nothing(fault.detail), Advice("read-again", (place,)))
    return None


def _one_reading(prepared: Geometry, decided: Decision, row: int) -> Doubt | None:
    """Return the doubt where one reading makes most of what the moves would leave, and that is beyond the limit and
    more than readings scatter by.

    Where it is left out, the same adjusters leave far less: the residuals follow from its own and the hat matrix.
    """
    index = int(decided.chosen.index[row])
    left = decided.totals.left[1, row]
    if not np.ptp(left) > max(prepared.machine.total_limit, SCATTER * prepared.reading_u):
        return None
    moved = list(prepared.candidates.sets[index])
    basis = dominant(np.column_stack([np.ones(len(left)), prepared.influence[:, moved]]), RANK)
    spare = 1.0 - np.sum(basis**2, axis=1)
    slip = np.where(spare > RANK, left / np.maximum(spare, RANK), 0.0)
    at = int(np.argmax(np.abs(slip) * np.sqrt(np.maximum(spare, 0.0))))
    without = np.delete(left + basis @ (basis[at] * slip[at]), at)
    place = prepared.places[at]
    if np.ptp(without) > MOST_OF_IT * np.ptp(left) or prepared.read_twice(place.x, place.y):
        return None
    says = sentences.one_reading(place.x, place.y, float(np.ptp(left)), float(np.ptp(without)), prepared.machine.units)
    return Doubt(says, Advice("read-again", (place,)))


def _gain_of_one(prepared: Geometry, decided: Decision, row: int) -> Doubt | None:
    """Return the doubt where one reading stands out from all others, and the moves gain nothing sure but there."""
    index = int(decided.chosen.index[row])
    found, left = decided.totals.left[:, row]
    sure, unit = K * float(decided.scores.u[row, index]), prepared.machine.units
    for at in (int(found.argmax()), int(found.argmin())) if index else ():
        place, others = prepared.places[at], np.arange(len(found)) != at
        before, after = float(np.ptp(found[others])), float(np.ptp(left[others]))
        stands_out = float(np.ptp(found)) - before > sure
        if stands_out and before - after <= sure and not prepared.read_twice(place.x, place.y):
            return Doubt(sentences.gain_of_one(place.x, place.y, before, after, unit), Advice("read-again", (place,)))
    return None
