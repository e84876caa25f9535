"""Why no travels were found."""

from __future__ import annotations

NOTHING_ALLOWED = "No travels satisfy all bounds and conditions at once; widen one of them."


def programme_unsolved(message: str) -> str:
    return f"The linear programme of the minimum zone was not solved: {message}"


def too_many_stacks(seat: str, most: int) -> str:
    return (
        f"Seat `{seat}` could be shimmed with more than {most} different stacks; name fewer thicknesses or a smaller "
        "`largest_stack`."
    )
