"""Two rails on adjustable seats: a seat that moves bends or tilts its rail and so changes the surface that the tool
sweeps."""

from __future__ import annotations

from itertools import pairwise
from typing import ClassVar

import numpy as np

from ..model.contract import Adjuster, Floats, Mechanism, Site
from ..model.errors import Fault, Refused
from ..model.machine import Machine, Rails, Seat, Sheet, Stock
from . import sentences
from .beam import carriage_height

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
    """

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
        return tuple(seat_adjuster(rails, seat, index) for index, seat in enumerate(rails.seats))

    def influence(self, site: Site) -> Floats:
        """Minus the height each seat lends to the tool, shape (n_points, n_seats)."""
        rails = checked_rails(site.machine)
        along, across = (0, 1) if rails.along == "x" else (1, 0)
        plan = [(seat.x, seat.y) for seat in rails.seats]
        here, there = by_rail(rails).values()
        low, high = (sum(plan[member][across] for member in members) / len(members) for members in (here, there))
        share = (site.points[:, across] - low) / (high - low)
        result = np.zeros((len(site.points), len(rails.seats)))
        for members, weight in ((here, 1.0 - share), (there, share)):
            knots = np.array([plan[member][along] for member in members])
            height = carriage_height(knots, site.points[:, along], rails.block_spacing, rails.tool_offset)
            result[:, members] = -weight[:, None] * height
        return result

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """Cautions: slackened rails can drop or pinch."""
        return (
            sentences.SUPPORT_THE_GANTRY,
            sentences.ONE_SEAT_AT_A_TIME,
        )


def by_rail(rails: Rails) -> dict[str, list[int]]:
    """Group seat indices by rail, in the order in which rails are first named."""
    groups: dict[str, list[int]] = {}
    for index, seat in enumerate(rails.seats):
        groups.setdefault(seat.rail, []).append(index)
    return groups


def checked_rails(machine: Machine) -> Rails:
    """Return the machine's rails once they make mechanical sense.

    Raises:
        Refused: no rails, not two of them, a rail on one seat, seats out of line or on top of each other.
    """
    rails = machine.rails
    if rails is None:
        raise Refused.at("/machine/rails", sentences.RAILS_MISSING)
    groups = by_rail(rails)
    if len(groups) != RAILS:
        raise Refused.at(
            "/machine/rails/seats",
            sentences.two_rails_needed(len(groups), ", ".join(groups) or "none"),
        )
    faults = []
    along, across = (0, 1) if rails.along == "x" else (1, 0)
    plan = [(seat.x, seat.y) for seat in rails.seats]
    lines = [sum(plan[member][across] for member in members) / len(members) for members in groups.values()]
    spacing = abs(lines[1] - lines[0])
    for (rail, members), line in zip(groups.items(), lines, strict=True):
        if len(members) < 2:
            faults.append(Fault(f"/machine/rails/seats/{members[0]}/rail", sentences.one_seat_only(rail)))
            continue
        stations = sorted(plan[member][along] for member in members)
        length = stations[-1] - stations[0]
        if min(later - before for before, later in pairwise(stations)) <= 1e-6 * max(length, spacing):
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
    if not faults and spacing <= 1e-6 * max(abs(at) for place in plan for at in place):
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
