"""What is said of the history of a machine, in words."""

from __future__ import annotations

from tramwright_solvers.model.units import DECIMALS

from ..wire.drift import DriftWarning, Why
from ..wire.history import History, Jump

TERMS = {
    "total": "the total",
    "tilt-x": "tilt to the side (x)",
    "tilt-y": "tilt front to rear (y)",
    "twist": "twist",
    "bow-x": "bow along x",
    "bow-y": "bow along y",
    "remainder": "the remainder (local form)",
}
TOO_FEW = (
    "Drift cannot be told yet: that takes four surveys or more with nothing moved between them, over a week or more. "
    "After moves, a closing survey counts as the first."
)
CHECK_INTERVAL = "Its last survey counts until then: its check interval ends, or its description was changed."
YEARS = 2
"""What may come more than so many years after it is expected is told as years later: nobody plans by that day."""
MONTH = 30.0
"""Days over which a drift is told."""
YEAR = 365.0
SEASON = (
    " What goes on for less than a year may also be the season: see first whether the bed was as warm at each survey."
)


def reason(why: Why, surveys: int, days: float, drift: DriftWarning | None, units: str) -> str:
    """Return why a machine is to be surveyed then."""
    if drift is not None:
        return f"{drives(drift, units)} The limit may be passed after that."
    return {
        "drift": "It drifts, but with at least 97.5 % confidence the limit is not passed before.",
        "no-drift": f"Nothing drifts that {surveys} surveys over {days:.0f} days could show, and what is too slow to "
        "be seen does not, with at least 97.5 % confidence, bring the total past its limit before.",
        "close": "The total is so close to its limit that it may be past it by now.",
        "changed": "It changed suddenly before the last survey: find out by what, and whether it goes on.",
        "moved-since": "It was moved after the last survey, and has not been read since.",
        "outside": "It is outside its limit: correct it, and read it again.",
    }.get(why, TOO_FEW)


def drives(drift: DriftWarning, units: str) -> str:
    """Return which term drifts, and how fast."""
    moved = f"{MONTH * drift.rate_per_day:+.{DECIMALS[units]}f} {units} in {MONTH:.0f} days"
    name = TERMS[drift.term]
    return f"{name[0].upper()}{name[1:]} drifts by {moved} since {drift.since[:10]}."


def says(found: History, drifting: float) -> str:
    """Return what a machine has come to and what to do, in a few sentences; ``drifting`` is for how many days it has
    been seen to drift."""
    check, drift, units = found.next_check, found.drift, found.units
    if not found.series:
        return "It was never surveyed."
    when = ""
    if check.at is not None:
        when = " Survey it now." if check.at <= found.as_of else f" Survey it by {check.at[:10]}."
    if drift is not None and found.limit is not None:
        late = drift.latest is None or int(drift.latest[:4]) - int(drift.at[:4]) > YEARS
        until = "and years later" if late else f"and {(drift.latest or '')[:10]}"
        return (
            f"{drives(drift, units)} The total is expected to pass its limit of {found.limit:.{DECIMALS[units]}f} "
            f"{units} on {drift.at[:10]} (at least 95 %: between {drift.earliest[:10]} {until}). Look for what creeps: "
            f"a lock nut, a seat, a foot of the frame.{SEASON if drifting < YEAR else ''}{when}"
        )
    if check.why == "changed":
        return f"{changed(found.jumps[0], units)} {check.reason}{when}"
    return f"{check.reason}{when}"


def changed(jump: Jump, units: str) -> str:
    """Return what changed between two surveys."""
    digits = DECIMALS[units]
    what = ", ".join(
        f"{TERMS[one.term]} changed by {one.change:+.{digits}f} {units} (u {one.u:.{digits}f})" for one in jump.terms
    )
    return (
        f"{what[0].upper()}{what[1:]} between survey {jump.before} ({jump.earliest[:10]}) and {jump.after} "
        f"({jump.latest[:10]})."
    )


STATES = {
    "steady": "steady",
    "drifting": "drifts",
    "jumped": "changed suddenly",
    "cannot-be-told": "cannot be told yet",
}
LATER = "There are later surveys: ask with a larger `limit`, or with `since`."
MARKS = "! is outside its limit, ? undecided; terms are over the whole bed, signed."


def compare(jump: Jump, units: str) -> str:
    """Return what changed, and where the two surveys are compared."""
    return f"{changed(jump, units)} Compare the two: {jump.comparison}"


def moved(moves: dict[str, float], digits: int) -> str:
    """Return what people moved."""
    return "moved after it: " + ", ".join(f"{name} {travel:+.{digits}f}" for name, travel in moves.items())
