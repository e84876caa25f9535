"""A survey plan as a person takes it to the machine: plain text, no wider than 100 columns."""

from __future__ import annotations

from collections.abc import Iterator

from ..model.units import DECIMALS
from ..planning.results import (
    Efficiency,
    MoveForecast,
    PlanSize,
    Rating,
    Stop,
    SurveyPlan,
    TotalForecast,
    Worth,
)
from .blocks import notes, preformatted, titled, wrapped

ACROSS, DOWN = 24, 12
"""Cells of the sketch, four characters wide each."""


def as_text(answer: SurveyPlan) -> str:
    """Return the whole answer: what the survey will be worth, where to read, and what other plans would give."""
    digits, unit = DECIMALS[answer.units], answer.units
    parts = [
        wrapped(f"{answer.machine}: {answer.says}"),
        wrapped(f"Why {answer.plan.count} stations: {answer.why_count}"),
        notes("Take care", answer.cautions),
        titled(f"Read in this order, {unit}; rear at the top", [*sketch(answer.plan.stations), ""]).rstrip("\n"),
        titled("Stations", [*stations(answer.plan), *closing(answer.plan, unit)]),
        wrapped(answer.rounding.says),
        *worth(answer.plan, digits, unit),
        wrapped(against_grid(answer, digits)),
        titled(f"Fewer or more stations, {unit}, nothing drifting", sizes(answer.sizes, digits)),
    ]
    if answer.yours is not None:
        parts += [
            titled("Your own plan", [wrapped(answer.yours_says)]),
            *worth(answer.yours, digits, unit),
        ]
    return "\n\n".join(part for part in parts if part) + "\n"


def as_html(answer: SurveyPlan) -> str:
    """Return the same for notebooks."""
    return preformatted(as_text(answer))


def worth(rating: Rating, digits: int, unit: str) -> list[str]:
    """Return the blocks that say what a survey at a plan's stations will be worth."""
    return [
        titled(f"How well the moves will be known, u in {unit}", moves(rating.moves, digits)),
        wrapped(total(rating.total, digits, unit)),
        notes("What these stations cannot show", (f"{one.what}: {one.detail}" for one in rating.blind_to)),
        wrapped(slips(rating, digits, unit)),
        wrapped(efficiency(rating.efficiency)),
    ]


def sketch(stops: list[Stop]) -> Iterator[str]:
    """Yield a map of the stations' numbers; where two fall into one cell, the first with a plus sign."""
    xs, ys = [stop.x for stop in stops], [stop.y for stop in stops]
    cells: dict[tuple[int, int], str] = {}
    for number, stop in enumerate(stops, 1):
        column = round((stop.x - min(xs)) / (max(xs) - min(xs) or 1.0) * (ACROSS - 1))
        row = round((max(ys) - stop.y) / (max(ys) - min(ys) or 1.0) * (DOWN - 1))
        there = cells.get((row, column))
        cells[row, column] = str(number) if there is None else there.rstrip("+") + "+"
    for row in range(DOWN):
        yield "".join(f"{cells.get((row, column), '·'):>4}" for column in range(ACROSS)).rstrip()


def stations(rating: Rating) -> Iterator[str]:
    """Yield a numbered line for each station, with the way to it."""
    yield f"{'':>4} {'x':>10} {'y':>10} {'way':>10}"
    for number, stop in enumerate(rating.stations, 1):
        way = f"{stop.leg:>10.0f}" if number > 1 else f"{'start':>10}"
        over = "  over a place kept out: lift clear" if stop.over_kept_out and number > 1 else ""
        yield f"{number:>3}. {stop.x:>10g} {stop.y:>10g} {way}{over}"


def closing(rating: Rating, unit: str) -> Iterator[str]:
    """Yield the closing reading and the length of the whole way."""
    first = rating.stations[0]
    over = "  over a place kept out: lift clear" if first.over_kept_out else ""
    yield f"{'':>4} {first.x:>10g} {first.y:>10g} {first.leg:>10.0f}{over}"
    yield wrapped(
        f"The last line is station 1 again: its closing reading shows drift. The whole way is {rating.path:.0f} {unit}."
    )


def moves(found: list[MoveForecast], digits: int) -> Iterator[str]:
    """Yield a line for each adjuster: its u, and with whom it moves; or why it has none."""
    wide = max(len("adjuster"), *(len(one.adjuster) for one in found))
    yield f"{'adjuster':<{wide}} {'closed':>9} {'steady':>9}   moved together with"
    for one in found:
        if one.u is None or one.steady_u is None:
            yield wrapped(f"{one.adjuster:<{wide}} {'none':>9} {'none':>9}   {one.why}")
        else:
            company = ", ".join(one.together_with) or "nothing else"
            yield wrapped(f"{one.adjuster:<{wide}} {one.u:>9.{digits}f} {one.steady_u:>9.{digits}f}   {company}")
    yield "closed: as the correction will state it, closing reading and drift included; steady: without."


def total(known: TotalForecast, digits: int, unit: str) -> str:
    """Say how well totals will be known and what they can prove."""
    if known.largest_within is None:
        most = f"No total can be proven within the limit of {known.limit:.{digits}f} {unit} with this indicator."
    else:
        most = (
            f"A total of up to {known.largest_within:.{digits}f} {unit} is proven within the limit of "
            f"{known.limit:.{digits}f} {unit}."
        )
    return (
        f"Totals read there will be known to ± {known.expanded:.{digits}f} {unit} (U, k = {known.k:.3g}). {most} The "
        f"tightest limit that a flat bed would be proven to keep is about {known.smallest_limit:.{digits}f} {unit}."
    )


def slips(rating: Rating, digits: int, unit: str) -> str:
    """Say which slips show."""
    if rating.sure_slip is not None and not rating.unchecked:
        return (
            f"A slip of {rating.sure_slip:.{digits}f} {unit} shows at every station, four times in five, on a plate "
            f"that tilts, twists and bows; the least redundancy is {rating.least_redundancy:.2f}."
        )
    if not rating.unchecked:
        return "A slip may show, but not at which station it was made: add stations."
    named = ", ".join(f"({one.x:g}, {one.y:g})" for one in rating.unchecked[:6])
    more = f" and {len(rating.unchecked) - 6} more" if len(rating.unchecked) > 6 else ""
    return f"The other readings hardly check those at {named}{more}: read these twice, or add stations."


def efficiency(found: Efficiency) -> str:
    """Say how near the plan comes to the best of its size for the moves alone."""
    if found.d_efficiency is None or found.i_efficiency is None:
        return found.why
    said = (
        "For the moves alone, the best as many stations could do being 100 %: "
        f"{found.d_efficiency * 100:.0f} % (determinant), {found.i_efficiency * 100:.0f} % (mean variance)."
    )
    return f"{said} {found.why}".rstrip()


def against_grid(answer: SurveyPlan, digits: int) -> str:
    """Say what the plan gains over a regular grid."""
    compared, unit = answer.against_grid, answer.units
    if compared.chosen == "grid":
        return f"This is the regular grid of {answer.plan.count} stations: nothing better was found."
    return (
        f"Against a regular grid of {answer.plan.count} stations, nothing drifting: largest u of a move "
        f"{shown(compared.plan.largest_move_u, digits)} {unit} against {shown(compared.grid.largest_move_u, digits)}, "
        f"u of the gap between stations {shown(compared.plan.gap_u, digits)} against "
        f"{shown(compared.grid.gap_u, digits)}."
    )


def sizes(listed: list[PlanSize], digits: int) -> Iterator[str]:
    """Yield a line for each number of stations."""
    yield f"{'stations':>8} {'move u':>9} {'gap u':>9} {'redundancy':>11} {'sure slip':>10}"
    for one in listed:
        yield (
            f"{one.count:>8} {pair(one, digits)} {one.least_redundancy:>11.2f} {shown(one.sure_slip, digits):>10}"
            f"{'  this plan' if one.chosen else ''}"
        )
    if any(one.sure_slip is None for one in listed):
        yield "none: at some station a slip of any size can go unnoticed."


def pair(one: Worth, digits: int) -> str:
    """Return both uncertainties of one plan."""
    return f"{shown(one.largest_move_u, digits):>9} {shown(one.gap_u, digits):>9}"


def shown(value: float | None, digits: int) -> str:
    """Return a number, or `none`."""
    return "none" if value is None else f"{value:.{digits}f}"
