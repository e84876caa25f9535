"""The uncertainty of the answer as text: the whole bed, what the uncertainty is made of, the answer without
suspects."""

from __future__ import annotations

from tramwright_solvers.results.correction import Refit
from tramwright_solvers.results.findings import Budget, OverBed, WholeBed

from .blocks import titled, wrapped


def whole_bed(bed: WholeBed, digits: int, unit: str) -> str:
    """Return a line on the total over the whole bed, the stations being only where it was read."""
    found, after = (spread(state, digits) for state in (bed.as_found, bed.predicted))
    if found is None or after is None:
        return f"Over the whole bed nothing can be said: {bed.as_found.says}"
    return (
        f"Over the whole bed, errors of the readings taken out: {found} {unit} as found, {after} {unit} predicted "
        "(at least 95 %; interpolated: of dents and waves finer than the stations nothing is claimed)."
    )


def spread(state: OverBed, digits: int) -> str | None:
    """Return a total over the bed with its interval, None where the stations do not bear it."""
    if state.total is None or state.low is None or state.high is None:
        return None
    return f"{state.total:.{digits}f} ({state.low:.{digits}f} to {state.high:.{digits}f})"


def made_of(budget: Budget, digits: int, unit: str) -> str:
    """Return the uncertainty budget of the predicted total, the largest share first."""
    lines = sorted(budget.lines, key=lambda line: -line.share)
    wide = max(len(line.name) for line in lines)
    rows = [
        f"{line.name:<{wide}}  {'±' if line.distribution == 'rectangular' else 's'} {line.value:.{digits + 1}f}, "
        f"{line.distribution}, type {line.type}: u {line.u:.{digits + 1}f}, {100.0 * line.share:3.0f} %"
        for line in lines
    ]
    return titled(f"What the uncertainty of the predicted total is made of, {unit}", rows)


def without_suspects(refit: Refit | None, digits: int, unit: str) -> str:
    """Return what the answer would be without the suspects, or nothing where there are none."""
    if refit is None:
        return ""
    if refit.as_found is None or refit.predicted is None or refit.moves is None:
        return wrapped(refit.says)
    moves = ", ".join(f"{move.adjuster} {move.travel:+.{digits}f}" for move in refit.moves) or "no move"
    return wrapped(
        f"Without them: {refit.as_found.total:.{digits}f} {unit} as found, {refit.predicted.total:.{digits}f} {unit} "
        f"predicted, by {moves}. {refit.says}"
    )
