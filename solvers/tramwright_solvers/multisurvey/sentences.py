"""What several surveys have in common that is wrong with them."""

from __future__ import annotations

NO_LEARNING_HERE = "Learning from earlier passes belongs to a correction; leave it out here."


def too_many_readings(count: object, most_readings: object) -> str:
    return f"{count} readings in all surveys are more than the {most_readings} taken at once; leave some out."


def too_many_unknowns(unknowns: object, most_unknowns: object) -> str:
    return (
        f"All set-ups together have {unknowns} zeros and drifts to find, more than {most_unknowns}; give readings "
        "taken with one zero of the indicator the same `setup`."
    )
