"""Two rails on adjustable seats: a seat that moves bends or tilts its rail and so changes the surface that the tool
sweeps."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, ClassVar, Literal

import numpy as np
from msgspec import Meta, Struct

from ..model.contract import Adjuster, Floats, Mechanism, Move, Part, Site
from ..model.errors import Fault, Refused
from ..model.machine import Machine, Rails, Seat, Sheet, Stock
from . import sentences
from .beam import carriage_height
from .parts import sentences as told
from .parts.rounds import MOST_ROUNDS, as_parts, farthest_behind_first, in_rounds, shares_worth_making

EFFORT = {"slip": 3.0, "shim": 5.0}
"""Efforts against 1 for a screw: bolts to slacken; bolts to slacken and sheets to cut. Our own choice."""

RAILS = 2
SKEW = 0.05
"""Seats of one rail may stand off their line by this share of the rail spacing before they are taken for a mistake."""


PLENTY = 1000
"""Count that stands for a thickness without a count."""


def sheets(stock: Stock) -> tuple[Sheet, ...]:
    """Write every entry of a stock as a sheet with a count; a bare thickness is there in any number."""
    written = (entry if isinstance(entry, Sheet) else Sheet(entry, PLENTY) for entry in stock)
    return tuple(sheet for sheet in written if sheet.count)


class RailShim(Mechanism, frozen=True, tag="rail-shim"):
    """Rail seats moved by slipping in their clamps or by shims.

    Each rail is a beam on its seats (a straight line on two, a natural cubic spline on more); the gantry beam spans
    the two rails on blocks, so the height at the tool is linear between them.

    A rail on three seats or more is bent by each. In one round of work no seat that slips leaves the line through its
    neighbours by more than ``most_bend`` of the distance to the nearer one; larger moves are made in rounds, in which
    all seats go a share each and the neighbours of the one that is moved are eased; sheets go in at once. What would
    take more than twenty rounds, or bend the rail by more than one round's worth over a seat that is held, is not done
    at all. Only the bend that these travels add is counted; how the rail was bent before is not known.
    """

    most_bend: Annotated[
        float,
        Meta(
            gt=0,
            le=0.01,
            description="How far a seat may leave the line through its neighbours on the same rail in one round of "
            "work, as a share of the distance to the nearer one. The default, 1 mm in a metre, is common practice, no "
            "source; give what the rail's section and its maker allow.",
        ),
    ] = 0.001

    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = sentences.RAIL_SHIM_NEEDS
    example: ClassVar[str | None] = "twisted-frame.json"

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """Any machine that describes rail seats."""
        return machine.rails is not None and bool(machine.rails.seats)

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """One adjuster for each seat; a shimmed seat only goes up, except by what is fitted now."""
        rails = checked_rails(machine)
        return tuple([seat_adjuster(rails, seat, index) for index, seat in enumerate(rails.seats)])

    def influence(self, site: Site) -> Floats:
        """Minus the height each seat lends to the tool, shape (n_points, n_seats)."""
        return np.asarray(influences([site])[0])

    def parts(self, move: Move) -> tuple[Part, ...]:
        """Move each seat at once where the rail is bent little meanwhile, else all of them in rounds.

        Raises:
            Refused: the rail would be bent too far; the fault points at the seat where it would be.
        """
        at_once = super().parts(move)
        rails, travels = move.machine.rails, move.travels
        if rails is None or len(rails.seats) == 2 * RAILS:
            return at_once
        lines = [line for line in bent_lines(rails) if travels[list(line.seats)].any()]
        if not lines:
            return at_once
        for line in lines:
            self.refuse_held(rails, line, travels, move.machine.units)
        slips = {part.adjuster for part in at_once if rails.seats[part.adjuster].method == "slip"}
        slipped = [(1, seat, float(travels[seat])) for seat in sorted(slips)]
        rounds, _, seat = max(self.rounds_for(line, slipped) for line in lines)
        if rounds > MOST_ROUNDS:
            raise Refused.at(
                f"/machine/rails/seats/{seat}", told.rail_too_far(rails.seats[seat].id, rounds, MOST_ROUNDS)
            )
        if rounds <= 1:
            return at_once
        adjusters, beside = (
            self.adjusters(move.machine),
            {one: self.eased(rails, line, one) for line in lines for one in line.seats},
        )
        for more in range(rounds, MOST_ROUNDS + 1):
            shares = {
                part.adjuster: shares_worth_making(move.machine, adjusters[part.adjuster], part.travel or 0.0, more)
                if part.adjuster in slips and part.adjuster in beside
                else 1
                for part in at_once
            }
            order = [seat for seat in farthest_behind_first(move) if seat in shares]
            made = list(in_rounds({seat: float(travels[seat]) for seat in order}, shares, more, adjusters))
            if max(self.rounds_for(line, [one for one in made if one[1] in slips])[0] for line in lines) <= 1:
                break
        worst = max(self.rounds_for(line, made)[1] for line in lines)
        return as_parts(made, more, told.seats_go_in_rounds(more, worst), beside)

    def may_refuse(self, machine: Machine) -> bool:
        """A rail on two seats is not bent."""
        return len(described_rails(machine).seats) > 2 * RAILS

    def rounds_for(self, line: BentLine, made: Sequence[tuple[int, int, float]]) -> tuple[int, float, int]:
        """Return into how many rounds each round made must be split, so that the rail is bent little enough in each.

        With it come the largest bend in a round as a share of the spacing, and the seat where it is.
        """
        now, begun, most = np.zeros(line.bends.shape[1]), 0, (0.0, line.seats[1])
        for turn, seat, travel in made:
            if turn > begun:
                now, begun = np.zeros_like(now), turn
            now[seat] += travel
            bent = np.abs(line.bends @ now) / line.room
            most = max(most, (float(bent.max()), line.seats[1 + int(np.argmax(bent))]))
        return int(np.ceil(most[0] / self.most_bend - 1e-9)), *most

    def refuse_held(self, rails: Rails, line: BentLine, travels: Floats, unit: Literal["mm", "inch"]) -> None:
        """Refuse to bend a rail over a seat that is held, where it cannot be eased.

        Raises:
            Refused: it would be bent by more than in one round.
        """
        for seat, bent, room in zip(line.seats[1:-1], line.bends @ travels, line.room, strict=True):
            if rails.seats[seat].id in self.hold and abs(bent) > self.most_bend * room:
                says = told.bent_over_held(rails.seats[seat].id, abs(bent), self.most_bend * room, unit)
                raise Refused.at(f"/machine/rails/seats/{seat}", says)

    def eased(self, rails: Rails, line: BentLine, seat: int) -> tuple[int, ...]:
        """Return the neighbours of a seat that are eased while it is moved: those that are not held."""
        at = line.seats.index(seat)
        beside = line.seats[max(0, at - 1) : at] + line.seats[at + 1 : at + 2]
        return tuple([other for other in beside if rails.seats[other].id not in self.hold])

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """Cautions: slackened rails can drop or pinch."""
        return (
            sentences.SUPPORT_THE_GANTRY,
            sentences.ONE_SEAT_AT_A_TIME,
        )


def influences(sites: Sequence[Site]) -> Floats:
    """Return the influence at sites with equally many points and seats, (n_sites, n_points, n_seats)."""
    rails = [described_rails(site.machine) for site in sites]
    lines = [tuple(by_rail(one).values()) for one in rails]
    blocks = [(one.block_spacing, one.tool_offset) for one in rails]
    if len(sites) > 1 and (len(rails[0].seats) > 2 * RAILS or len({spacing > 0.0 for spacing, _ in blocks}) > 1):
        return np.concatenate([influences([site]) for site in sites])
    axes = [(0, 1) if one.along == "x" else (1, 0) for one in rails]
    plans = [[(seat.x, seat.y) for seat in one.seats] for one in rails]
    points, rows = np.array([site.points.T for site in sites]), np.arange(len(sites))
    at, beside = (points[rows, own] for own in zip(*axes, strict=True))
    spacing, ahead = np.array(blocks).T[..., None]
    each = list(zip(lines, plans, axes, strict=True))
    ends = [
        [sum([plan[one][axis] for one in own[side]]) / len(own[side]) for own, plan, (_, axis) in each]
        for side in range(RAILS)
    ]
    low, high = np.array(ends)[..., None]
    share = (beside - low) / (high - low)
    result = np.empty((*at.shape, len(plans[0])))
    for side, weight in enumerate((1.0 - share, share)):
        members = [own[side] for own in lines]
        knots = np.array([[plan[one][axis] for one in own[side]] for own, plan, (axis, _) in each])
        height = carriage_height(knots, at, spacing, ahead)
        result[rows[:, None], :, members] = (-weight[..., None] * height).swapaxes(1, 2)
    return result


class BentLine(Struct, frozen=True):
    """A rail on three seats or more, its ``seats`` in order.

    ``bends`` (inner seats, all seats of the machine) gives how far each seat between two others leaves the line through
    them, for travels of all seats; ``room`` (inner seats,) is its distance to the nearer.
    """

    seats: tuple[int, ...]
    room: Floats
    bends: Floats


def bent_lines(rails: Rails) -> list[BentLine]:
    """Return the rails that their seats can bend."""
    along, found = 0 if rails.along == "x" else 1, []
    for members in by_rail(rails).values():
        if len(members) < 3:
            continue
        place = {seat: (rails.seats[seat].x, rails.seats[seat].y)[along] for seat in members}
        seats = sorted(members, key=place.__getitem__)
        span = np.diff([place[seat] for seat in seats])
        bends = np.zeros((len(seats) - 2, len(rails.seats)))
        for row, (before, seat, after) in enumerate(zip(seats, seats[1:], seats[2:], strict=False)):
            bends[row, seat] = 1.0
            bends[row, [before, after]] = -span[[row + 1, row]] / (span[row] + span[row + 1])
        found.append(BentLine(tuple(seats), np.minimum(span[:-1], span[1:]), bends))
    return found


def by_rail(rails: Rails) -> dict[str, list[int]]:
    """Group seat indices by rail, in the order in which rails are first named."""
    groups: dict[str, list[int]] = {}
    for index, seat in enumerate(rails.seats):
        groups.setdefault(seat.rail, []).append(index)
    return groups


def described_rails(machine: Machine) -> Rails:
    """Return the machine's rails.

    Raises:
        Refused: it has none.
    """
    if machine.rails is None:
        raise Refused.at("/machine/rails", sentences.RAILS_MISSING)
    return machine.rails


def checked_rails(machine: Machine) -> Rails:
    """Return the machine's rails once they make mechanical sense.

    Raises:
        Refused: no rails, not two of them, a rail on one seat, seats out of line or on top of each other, blocks too.
    """
    rails = described_rails(machine)
    groups = by_rail(rails)
    if len(groups) != RAILS:
        raise Refused.at(
            "/machine/rails/seats",
            sentences.two_rails_needed(len(groups), ", ".join(groups) or "none"),
        )
    faults = list[Fault]()
    along, across = (0, 1) if rails.along == "x" else (1, 0)
    plan = [(seat.x, seat.y) for seat in rails.seats]
    lines = [sum([plan[member][across] for member in members]) / len(members) for members in groups.values()]
    spacing = abs(lines[1] - lines[0])
    if 0.0 < rails.block_spacing <= 1e-6 * spacing:
        faults.append(Fault("/machine/rails/block_spacing", sentences.BLOCKS_AT_ONE_PLACE))
    for (rail, members), line in zip(groups.items(), lines, strict=True):
        if len(members) < 2:
            faults.append(Fault(f"/machine/rails/seats/{members[0]}/rail", sentences.one_seat_only(rail)))
            continue
        stations = sorted([plan[member][along] for member in members])
        length = stations[-1] - stations[0]
        if min([later - before for before, later in pairwise(stations)]) <= 1e-6 * max(length, spacing):
            faults.append(
                Fault(
                    f"/machine/rails/seats/{members[0]}/{rails.along}",
                    sentences.seats_at_one_place(rail, rails.along),
                )
            )
        off = [abs(plan[member][across] - line) for member in members]
        if max(off) > SKEW * spacing:
            faults.append(
                Fault(
                    f"/machine/rails/seats/{members[off.index(max(off))]}/{'xy'[across]}",
                    sentences.seats_not_along_the_rail(rail, rails.along),
                )
            )
    if not faults and spacing <= 1e-6 * max([abs(at) for place in plan for at in place]):
        faults.append(Fault("/machine/rails/seats", sentences.RAILS_AT_ONE_PLACE))
    if faults:
        raise Refused(faults)
    return rails


def seat_adjuster(rails: Rails, seat: Seat, index: int) -> Adjuster:
    """Turn a seat into an adjuster.

    Raises:
        Refused: stock or fitted shims on a seat that slips, or a shimmed seat without stock.
    """
    pointer = f"/machine/rails/seats/{index}"
    effort = EFFORT[seat.method] if seat.effort is None else seat.effort
    lower, upper = seat.travel or (-np.inf, np.inf)
    if seat.method == "slip":
        for name in ("stock", "fitted", "largest_stack"):
            if getattr(seat, name) is not None:
                raise Refused.at(f"{pointer}/{name}", sentences.only_for_shims(name))
        return Adjuster(seat.id, "seat", effort, pointer, lower, upper, seat.step, slackens=True, setting=seat.setting)
    stock = seat.stock if seat.stock is not None else rails.stock
    if not stock and not seat.fitted:
        raise Refused.at(f"{pointer}/stock", sentences.STOCK_MISSING)
    fitted = tuple(seat.fitted or ())
    return Adjuster(
        seat.id,
        "seat",
        effort,
        pointer,
        lower=max(lower, -sum(fitted)),
        upper=upper,
        stock=sheets(stock or []),
        fitted=fitted,
        largest_stack=seat.largest_stack,
        pool="/machine/rails/stock" if seat.stock is None and rails.stock else None,
        slackens=True,
        setting=seat.setting,
    )
