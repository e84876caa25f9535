"""Words that every question shares: the cautions, and that there was no time."""

from __future__ import annotations

GENERAL_CAUTIONS = (
    "Keep hands and the indicator clear of moving axes; move to each station slowly with the tool well above the bed, "
    "and switch the drives off, or hold them as the machine's maker says, before turning or slackening anything.",
    "Heated parts and mains wiring under the bed can burn and kill: follow the machine's maker and local codes, and "
    "leave work on mains voltage to licensed hands.",
)

OUT_OF_TIME = (
    "The answer was not found within the time that one request may take; send fewer readings, let fewer adjusters "
    "move, or ask for least squares."
)
