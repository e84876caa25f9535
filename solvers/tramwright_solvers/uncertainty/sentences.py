"""What would decide a verdict, in words."""

from __future__ import annotations

ON_THE_LIMIT = "The total lies on the limit: no measurement decides that; take out more, or agree on a wider limit."

SETTING_IS_TOO_COARSE = (
    "No reading beforehand decides it, for adjusters are not set so exactly: survey again after the moves."
)


def repeats_would_decide(times: object) -> str:
    return f"Read each station {times} times as often as now: the mean would decide."


def better_indicator_would_decide(value: float, unit: object, digits: int) -> str:
    return (
        f"More readings with this indicator cannot decide it; one with an error limit of {value:.{digits}f} "
        f"{unit} and a division to match would."
    )
