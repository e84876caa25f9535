"""Cautions that go with every answer that asks for work on a machine."""

from __future__ import annotations

GENERAL_CAUTIONS = (
    "Keep hands and the indicator clear of moving axes; move to each station slowly with the tool well above the bed, "
    "and switch the drives off, or hold them as the machine's maker says, before turning or slackening anything.",
    "Heated parts and mains wiring under the bed can burn and kill: follow the machine's maker and local codes, and "
    "leave work on mains voltage to licensed hands.",
)
