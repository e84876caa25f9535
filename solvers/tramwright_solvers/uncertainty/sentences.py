"""The lines of an uncertainty budget, and what would decide a verdict, in words."""

from __future__ import annotations

HALF_A_DIVISION = "half a division"
ERROR_LIMIT = "error limit of the indicator"
REPEATABILITY = "repeatability"
ZEROS = "zeros and drift of set-ups"

ON_THE_LIMIT = "The total lies on the limit: no measurement decides that; take out more, or agree on a wider limit."

ROUNDED_ONTO_THE_LIMIT = (
    "As read the total is the limit itself, and rounding hides on which side it lies: an indicator with a finer "
    "division may show it; else take out more."
)

SETTING_IS_TOO_COARSE = (
    "No reading beforehand decides it, for adjusters are not set so exactly: survey again after the moves."
)


def repeats_would_decide(times: int) -> str:
    return f"Read each station {times} times as often as now: the mean would decide."


def better_indicator_would_decide(error_limit: float, unit: str, digits: int) -> str:
    return (
        f"More readings with this indicator cannot decide it; one with an error limit of {error_limit:.{digits}f} "
        f"{unit} and a division to match would."
    )


def finer_division_would_decide(division: float, unit: str) -> str:
    return f"Only the rounding of the dial leaves it open: a division of {division:g} {unit} would decide."


def setting_of(adjuster: str) -> str:
    return f"setting of {adjuster}"
