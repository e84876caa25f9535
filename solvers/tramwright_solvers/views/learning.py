"""What was learnt from the passes before, and how many remain, as lines of text."""

from __future__ import annotations

from collections.abc import Sequence

from ..model.units import DECIMALS
from ..results.learning import AdjusterResponse, Forecast
from .blocks import notes, wrapped


def followed(learnt: Sequence[AdjusterResponse], doubts: Sequence[str], units: str) -> str:
    """Return a block with a line for each adjuster moved before, those that do not follow first; or nothing."""
    lines = [line(one, units) for one in sorted(learnt, key=lambda one: one.follows)]
    return notes("What the last moves did", [*doubts, *lines])


def line(one: AdjusterResponse, units: str) -> str:
    """Return one adjuster's response and its judgement."""
    digits = DECIMALS[units]
    return (
        f"{one.adjuster} moved {one.response:.2f} of what was asked (u {one.u:.2f}): "
        f"{one.moved:+.{digits}f} for {one.asked:+.{digits}f} {units}. {one.says}"
    )


def remaining(forecast: Forecast | None) -> str:
    """Return how many passes remain, or nothing where nothing was learnt."""
    return wrapped(f"Passes: {forecast.says}") if forecast is not None else ""
