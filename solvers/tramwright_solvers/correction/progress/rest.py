"""What is left to the adjusters once some have moved: their bounds, their shims, the conditions on them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec.structs import fields, replace

from ...adjustment.shim_stacks import PLENTY, Stack, Stacks, choices, stack_for
from ...model.contract import Adjuster, Floats, Standing
from ...model.machine import Sheet
from ..factorize import Design, factorize
from ..geometry import Geometry
from ..setup import Setup, must_be_possible, travel_range

ROUNDING = 1e-9
"""Share of the travels below which what a condition allows has not changed."""

KEPT = ("form", "slips", "over_bed", "blind", "badly_seen", "parking", "known_shapes", "known", "patches", "linear")
"""What of a geometry does not depend on how far the work is where all adjusters are linear."""


def adjusters_after(adjusters: Sequence[Adjuster], made: Floats, sheets: Mapping[int, float]) -> tuple[Adjuster, ...]:
    """Return the adjusters as they are once they have ``made`` travels (m,); ``sheets`` are the travels by shims and
    whole steps, by column."""
    after = [
        one if one.stock is not None else within(one, sheets.get(at, float(made[at])))
        for at, one in enumerate(adjusters)
    ]
    for at, travel in sheets.items():
        if after[at].stock is not None:
            after[at], stack = shimmed(after[at], travel)
            pool = after[at].pool
            after = [
                replace(one, stock=on_hand(one.stock, stack))
                if one.stock is not None and (other == at or (pool is not None and one.pool == pool))
                else one
                for other, one in enumerate(after)
            ]
    return tuple(after)


def within(adjuster: Adjuster, made: float) -> Adjuster:
    """Return an adjuster with what is left of its bounds, which it is not taken to be beyond."""
    return replace(adjuster, lower=min(adjuster.lower - made, 0.0), upper=max(adjuster.upper - made, 0.0))


def sheets_for(adjuster: Adjuster, travel: float) -> int | None:
    """Return the pick of the stack that makes a travel; None where no sheets at hand do."""
    table = choices(adjuster)
    if not isinstance(table, Stacks):
        return None
    pick = table.nearest(travel)
    return pick if abs(float(table.travels[pick]) - travel) <= ROUNDING * table.thicknesses[0] else None


def shimmed(adjuster: Adjuster, travel: float) -> tuple[Adjuster, Stack]:
    """Return a shimmed seat with the sheets of a travel under it, and what was added and taken out for it."""
    table, pick = choices(adjuster), sheets_for(adjuster, travel)
    if not isinstance(table, Stacks) or pick is None:
        return adjuster, Stack((), (), ())
    stack = stack_for(adjuster, table.counts[pick])
    lower = max(adjuster.lower - travel, -sum(stack.under))
    after = replace(adjuster, fitted=stack.under, lower=min(lower, 0.0), upper=max(adjuster.upper - travel, 0.0))
    return after, stack


def on_hand(stock: Sequence[Sheet], stack: Stack) -> tuple[Sheet, ...]:
    """Return a stock once the sheets of a stack are taken from it, and those it replaces lie there; plenty stays so."""
    counts = {one.thickness: 0 for one in stock} | dict.fromkeys(stack.remove, 0)
    for one in stock:
        counts[one.thickness] += one.count
    for thickness in counts:
        if counts[thickness] < PLENTY:
            counts[thickness] += stack.remove.count(thickness) - stack.add.count(thickness)
    return tuple([Sheet(thickness, count) for thickness, count in counts.items() if count > 0])


def geometry_after(
    found: Geometry, standing: tuple[Standing, ...], sheets: Mapping[int, float], begun: frozenset[int]
) -> Geometry:
    """Return a geometry for the rest of the work; ``begun`` are the columns that it was begun with.

    Raises:
        Impossible: nothing satisfies the conditions any more.
    """
    made = np.concatenate([one.made for one in standing])
    adjusters = adjusters_after(found.adjusters, made, sheets)
    reach = [(0.0, 0.0) if one.id in found.held else travel_range(one) for one in adjusters]
    limits, changed = found.limits, found.limits.rows @ made
    changed[np.abs(changed) <= ROUNDING * (np.abs(limits.rows) @ np.abs(made))] = 0.0
    own = iter(adjusters)
    setup = {one.name: getattr(found, one.name) for one in fields(Setup)} | {
        "adjusters": adjusters,
        "parts": tuple([(mechanism, tuple([next(own) for _ in old])) for mechanism, old in found.parts]),
        "limits": replace(
            limits,
            lower=np.array([low for low, _ in reach]),
            upper=np.array([high for _, high in reach]),
            rows_lower=limits.rows_lower - changed,
            rows_upper=limits.rows_upper - changed,
        ),
        "standing": standing,
        "begun": begun,
    }
    after = Setup(**setup)
    if not after.limits.may_stand:
        must_be_possible(after.limits.moving(after.free), after.because)
    (made_for,) = factorize([Design(after, found.layout)])
    if found.linear:
        made_for.__dict__.update({name: found.__dict__[name] for name in KEPT if name in found.__dict__})
    return made_for
