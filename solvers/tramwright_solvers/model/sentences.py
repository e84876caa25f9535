"""Words that every question shares: the cautions, and that there was no time."""

from __future__ import annotations

GENERAL_CAUTIONS = (
    "Keep hands and indicator clear of moving axes; switch the drives off, or hold them as the machine's maker says, "
    "before you turn or slacken anything.",
    "What is hot or live under a bed burns and kills: follow the maker and local codes, and leave mains voltage to "
    "licensed hands.",
)

OUT_OF_TIME = (
    "The answer was not found within the time that one request may take; send fewer readings, let fewer adjusters "
    "move, or ask for least squares."
)


NO_SOLVER = "This is no solver; give one of those that are installed, as `ThreeScrew()`."


EXTRAS_TOO_LARGE = "Expected a whole number of at most 64 bits"
EXTRAS_TOO_DEEP = "`extras` is nested too deeply: no solver needs that"


def change_it(said: str) -> str:
    return f"{said}; change the value here."


def extras_wrong(solver: str, said: str) -> str:
    return f"`{solver}` does not find here what it needs: {said}; change the description."


def extras_of_nobody(name: str, known: str) -> str:
    return f"No solver here reads `extras.{name}`; those that read any: {known}. Correct the name, or leave it out."


NOBODY = "none"
