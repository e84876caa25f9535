"""Words that the questions about several surveys share, and what is wrong with several at once."""

from __future__ import annotations

TERM_NAMES = {
    "offset": "height",
    "tilt-x": "tilt to the side (x)",
    "tilt-y": "tilt front to rear (y)",
    "twist": "twist",
    "bow-x": "bow along x",
    "bow-y": "bow along y",
}

REPEATED = (
    "The spread of repeated readings counts as known; where it rests on a few repeats and makes up most of u, chance "
    "shows a change more often than stated."
)

NO_LEARNING_HERE = "Learning from earlier passes belongs to a correction; leave it out here."


def too_many_readings(count: int, most_readings: int) -> str:
    return f"{count} readings in all surveys are more than the {most_readings} taken at once; leave some out."


def too_many_unknowns(unknowns: int, most_unknowns: int) -> str:
    return (
        f"All set-ups together have {unknowns} zeros and drifts to find, more than {most_unknowns}; give readings "
        "taken with one zero of the indicator the same `setup`."
    )
