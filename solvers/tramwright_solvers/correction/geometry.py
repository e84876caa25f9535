"""Everything that depends on the machine, the stations and the options, computed once and cached by its content."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import accumulate
from math import sqrt

import numpy as np

from ..adjustment.candidates import Candidates
from ..adjustment.discrete_subsets import discrete_subsets
from ..adjustment.subsets import Sizes, sizes
from ..diagnostics.form_terms import TERMS, Form, form
from ..diagnostics.gaussian_process import Interpolation, bed_points, bytes_for, interpolation
from ..diagnostics.likeness import Patches, patch_planes, places_on_patches
from ..diagnostics.outliers import SlipCheck, slip_check
from ..diagnostics.reliability import Reliability, reliability
from ..diagnostics.unobservable import Seeing, unobservable_adjusters
from ..diagnostics.weakly_observed import remedy_points, weakly_observed
from ..linalg.grids import bed_grid
from ..linalg.rowwise import row_products
from ..mechanisms.adjusters import SUPPORTS
from ..model.contract import Floats, KnownShape, Mechanism, Move
from ..model.units import K
from ..reduction.stations import StationLayout, a_priori
from ..results.findings import Blind, Place
from ..uncertainty.budget import Sources, sources
from ..uncertainty.setting_error import Setting
from . import sentences
from .assumptions import SaidOfMoves, said_of_moves
from .setup import PICKED, Setup
from .steps.parking import Parking, parking
from .subset_table import SubsetTable, efforts

FAR_MM = 5.0
"""Travel in mm beyond which nothing is moved: usual moves are tenths of a millimetre, so a wrong unit or a slip is more
likely, and a dial indicator has a range of 10 mm. Our own choice."""

JUDGED = ("tilt-x", "tilt-y", "twist")
"""Terms without which nothing is said of a bed."""
PER_STATION, ITSELF = 2000, 40_000
"""Bytes for each station, most of it form and check of readings, and for what is always there. Measured."""


def sum_of_shapes(shapes: Sequence[KnownShape]) -> Floats | None:
    """Return the sum of known shapes, None where there are none."""
    return np.sum([one.gap for one in shapes], axis=0) if shapes else None


class Geometry(Setup, frozen=True, dict=True):
    """One machine, read at these stations, solved with these options; ready for any number of surveys.

    ``influence`` (n, m) is what the adjusters do at the stations, ``influence_over_bed`` (25, m) on a coarse grid over
    the whole bed, ``spanned`` (n, r) a basis of what form and adjusters make at the stations, weighted. What only the
    fuller details of an answer need is prepared when one is first asked for.
    """

    layout: StationLayout
    influence: Floats
    influence_over_bed: Floats
    weights: Floats
    candidates: Candidates
    setting: Setting
    spanned: Floats
    seeing: Seeing

    @property
    def nbytes(self) -> int:
        """Estimate of the bytes it takes once answered in full by either criterion, more or less what it takes now."""
        stations, adjusters = len(self.layout.points), len(self.adjusters)
        others = PER_STATION * stations + 24 * adjusters * (len(self.candidates.sets) + stations)
        return self.candidates.nbytes + bytes_for(stations) + others + ITSELF

    @cached_property
    def options(self) -> SubsetTable:
        """The subsets of adjusters and their fits."""
        return SubsetTable(
            candidates=self.candidates,
            effort=efforts(self.candidates, self.begun),
            added=self.setting.totals[None],
            least=self.setting.least[None],
            limit=self.machine.total_limit,
            division=self.machine.division,
            begun=bool(self.begun),
        )

    @cached_property
    def places(self) -> list[Place]:
        """The stations as an answer names them."""
        return [Place(x, y) for x, y in self.layout.points.tolist()]

    def read_twice(self, x: float, y: float) -> bool:
        """Say whether a station has more than one value."""
        return bool(self.layout.times_read[self.places.index(Place(x, y))] > 1)

    @cached_property
    def discrete(self) -> tuple[int, ...]:
        """The subsets with an adjuster that moves in whole steps or by shims."""
        return tuple(discrete_subsets(self.candidates, self.adjusters)) if self.whole else ()

    @cached_property
    def mechanisms(self) -> tuple[Mechanism, ...]:
        """The mechanisms in the order in which they are solved."""
        return tuple(mechanism for mechanism, _ in self.parts)

    @cached_property
    def kinds(self) -> tuple[str, ...]:
        """What each mechanism moves: supports or seats."""
        return tuple(own[0].kind for _, own in self.parts)

    @property
    def far(self) -> float:
        """:data:`FAR_MM` in the machine's unit."""
        return self.machine.from_mm(FAR_MM)

    @cached_property
    def columns(self) -> tuple[slice, ...]:
        """Each mechanism's columns among all adjusters."""
        ends = accumulate(len(own) for _, own in self.parts)
        return tuple(slice(end - len(own), end) for end, (_, own) in zip(ends, self.parts, strict=True))

    def changes(self, travels: Floats, points: Floats | None = None) -> Floats:
        """Return the change of gap (N, n) that travels (N, m) make at the stations, or at other points (n, 2)."""
        if self.linear and points is None:
            return row_products(travels, self.influence.T)
        where = self.layout.points if points is None else points
        return np.stack([self.change_at(where, own) for own in travels])

    @cached_property
    def known_shapes(self) -> tuple[KnownShape, ...]:
        """What is known of the gap at the stations and taken off the readings."""
        return self.known_at(self.layout.points)

    @property
    def known(self) -> Floats | None:
        """Their sum (n,), None where nothing is known."""
        return sum_of_shapes(self.known_shapes)

    @cached_property
    def patches(self) -> Floats | None:
        """The patches on which the stations lie (n, p); None where the bed is one piece."""
        return self.patches_at(self.layout.points)

    @cached_property
    def linear(self) -> bool:
        """Whether influence × travel is the change of gap."""
        return all(mechanism.linear for mechanism, _ in self.parts)

    @cached_property
    def ordered(self) -> bool:
        """Whether some adjusters are moved after others."""
        return any(adjuster.after for adjuster in self.adjusters)

    @cached_property
    def questioned(self) -> tuple[tuple[Mechanism, slice], ...]:
        """The mechanisms that may refuse to carry out travels, with their columns."""
        both = self.own_columns()
        return tuple([(one, slice(own.start, own.stop)) for one, own in both if one.may_refuse(self.machine)])

    @cached_property
    def versions(self) -> dict[str, str]:
        """The version of each solver by its name."""
        return {mechanism.name(): mechanism.version for mechanism in self.mechanisms}

    @cached_property
    def plans(self) -> Sizes:
        """Which subsets there are of each size, and which belong to each rung of the ladder."""
        return sizes(self.candidates.sets, self.groups)

    @cached_property
    def parking(self) -> Parking:
        """Where the indicator is parked for each adjuster."""
        return parking(self.influence, self.layout.points)

    @cached_property
    def form(self) -> Form:
        """The terms of the gap's form."""
        return form(self.machine.bed, self.layout.points, np.sqrt(self.weights))

    @cached_property
    def checking(self) -> Reliability:
        """How the readings check each other about the form and what the adjusters do."""
        if not (shapes := list(self.own_shapes)):
            return Reliability.of(self.spanned)
        return reliability(np.concatenate([self.form.columns, self.influence, *shapes], axis=1), self.form.root)

    @cached_property
    def slips(self) -> SlipCheck:
        """The check of readings against each other, with higher terms of the form where all stay well checked."""
        return slip_check(self.machine, self.layout, self.checking, self.form.root)

    @property
    def own_shapes(self) -> Iterator[Floats]:
        """Columns (n, q) that the readings may show beside the form and the adjusters: known shapes, and patches that
        lie as they like."""
        if self.known is not None:
            yield self.known[:, None]
        if self.patches is not None:
            yield patch_planes(self.machine.bed, self.layout.points, self.patches, self.patches)

    @cached_property
    def sources(self) -> Sources:
        """What makes up the uncertainty of a total."""
        return sources(self.machine, self.layout, self.adjusters, self.setting)

    @cached_property
    def places_over_bed(self) -> Floats:
        """The places (G, 2) for which the whole bed is estimated: a grid, or one on each patch."""
        if self.patches is None:
            return bed_points(self.machine.bed)
        return places_on_patches(self.machine.bed, lambda at: np.asarray(self.patches_at(at)))

    @cached_property
    def beyond_stations(self) -> tuple[Floats, Floats]:
        """The influence at :attr:`places_over_bed` (G, m) and at the places where a reading may be proposed (49, m)."""
        all_over, proposed = self.places_over_bed, remedy_points(self.machine.bed)
        influence = self.influence_at(np.concatenate([all_over, proposed]))
        return influence[: len(all_over)], influence[len(all_over) :]

    @cached_property
    def over_bed(self) -> Interpolation:
        """What the stations tell of the bed between and beyond them."""
        return interpolation(
            self.machine.bed,
            self.layout.points,
            self.influence,
            self.beyond_stations[0],
            self.setting.u,
            a_priori(self.layout)[0],
            self.layout.factors,
            [blind.what for blind in self.blind if blind.kind == "term"],
            self.both_patches,
            self.places_over_bed,
        )

    @cached_property
    def both_patches(self) -> Patches | None:
        """The patches at the stations and on the grid over the bed; None where the bed is one piece."""
        there = self.patches_at(self.places_over_bed)
        return None if self.patches is None or there is None else Patches(self.patches, there)

    @cached_property
    def blind(self) -> list[Blind]:
        """What the stations cannot show."""
        terms = [] if self.seeing.form else self.form.blind()
        if self.seeing.adjusters:
            return terms
        there = self.influence_at(bed_grid(self.machine.bed))
        return terms + unobservable_adjusters(self.adjusters, self.influence, there)

    @cached_property
    def place_of(self) -> dict[str, int]:
        """The place of each adjuster among all, by its id."""
        return {adjuster.id: place for place, adjuster in enumerate(self.adjusters)}

    @cached_property
    def unseen_terms(self) -> tuple[str, ...]:
        """Tilts and twist that these stations do not show, or whose U over the bed is larger than :attr:`shown`."""
        per = 2.0 * K * self.reading_u
        told = zip(TERMS, self.seeing.terms, self.seeing.u, strict=False)
        return tuple([term for term, seen, u in told if term in JUDGED and not (seen and per * u <= self.shown)])

    @cached_property
    def shown(self) -> float:
        """How well something must be known to count as seen: to the limit, or as two readings where that is more, for
        where the indicator is too coarse for the limit no stations help."""
        return max(self.machine.total_limit, sqrt(2.0) * K * self.reading_u)

    @cached_property
    def reading_u(self) -> float:
        """Standard uncertainty of a station's gap before any repeat is looked at, on average."""
        (variance,) = a_priori(self.layout)
        return sqrt(float(np.add.reduce(variance)) / len(variance))

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """What is :attr:`far`, :attr:`reading_u`, what is well known (:attr:`shown`), and how many terms are unseen."""
        return self.far, self.reading_u, self.shown, float(len(self.unseen_terms))

    @cached_property
    def unseen_adjusters(self) -> np.ndarray:
        """Which adjusters (m,) these stations cannot tell from others."""
        if self.seeing.adjusters:
            return np.zeros(len(self.adjusters), dtype=bool)
        found = {one.what for one in self.blind if one.kind == "adjuster"}
        return np.array([adjuster.id in found for adjuster in self.adjusters])

    def moving(self, mechanism: Mechanism, own: slice, travels: Floats) -> Move:
        """Return the move of one mechanism, given the travels of all adjusters (m,)."""
        return Move(self.machine, self.layout.points, travels[own], self.standing_of(mechanism))

    @cached_property
    def badly_seen(self) -> list[Blind]:
        """What the stations show, but badly."""
        there = self.beyond_stations[1]
        noise = self.layout.noise(a_priori(self.layout))
        return weakly_observed(self.machine, self.form, self.adjusters, self.influence, there, noise, self.blind)

    @cached_property
    def notes(self) -> list[str]:
        """What the stations do not show or check."""
        unseen = [sentences.not_shown([blind.what for blind in self.blind])] if self.blind else []
        unit = self.machine.units
        known = [sentences.taken_off(one.name, float(np.ptp(one.gap)), unit) for one in self.known_shapes]
        unchecked = () if self.checking.checked.all() else self.slips.unchecked_says()
        return [*unchecked, *unseen, *known, *self.unused]

    @cached_property
    def unused(self) -> list[str]:
        """What the machine describes and the solvers that were picked make no use of, where none was named."""
        if self.entries[0] != PICKED:
            return []
        found = []
        if self.machine.supports and not any(one.pointer.startswith(f"{SUPPORTS}/") for one in self.adjusters):
            found.append(sentences.supports_unused(list(self.versions)))
        found += [sentences.extras_unused(name) for name in self.machine.extras if name not in self.versions]
        return found

    def named(self, subset: int) -> list[str]:
        """Return the ids of the adjusters of a subset, by its number."""
        if (known := self._named.get(subset)) is None:
            known = self._named[subset] = [self.adjusters[j].id for j in self.candidates.sets[subset]]
        return known

    @cached_property
    def _named(self) -> dict[int, list[str]]:
        return {}

    def said_of(self, moved: tuple[str, ...]) -> SaidOfMoves:
        """Return the cautions and assumptions that go with moving these adjusters."""
        if (known := self._said.get(moved)) is None:
            solvers = {self.solver_of[self.place_of[name]] for name in moved}
            moving = [one for one in self.mechanisms if one.name() in solvers]
            adjusters = [self.adjusters[self.place_of[name]] for name in moved]
            known = self._said[moved] = said_of_moves(self.machine, moving, adjusters)
        return known

    @cached_property
    def _said(self) -> dict[tuple[str, ...], SaidOfMoves]:
        return {}
