"""What is said between the service and a process in which plug-ins run."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Literal

from msgspec import Struct

from tramwright_solvers.mechanisms.plug_ins.described import Announced, Description

from ...settings import Settings
from ...wire.problems import Problem

LENGTH = struct.Struct("<I")
"""Before each message its length in bytes."""

DESCRIBE, SUITS, LINE, CORRECTIONS = "describe", "suits", "line", "corrections"
"""What may be asked beside the other questions: what a plug-in is, whether it suits a machine, a line of a batch, and
one correction."""


class First(Struct, frozen=True):
    """The first message: which plug-ins to load, what each may take, and what ``others`` there are elsewhere."""

    plug_ins: Sequence[Announced]
    settings: Settings
    seconds: float
    others: Sequence[Description] = ()
    role: Literal["answers", "suits"] = "answers"

    @property
    def patience(self) -> float:
        """Seconds after which an answer is not waited for, whatever the process says of itself."""
        return self.settings.seconds + self.seconds * len(self.plug_ins) + SLACK


SLACK = 30.0
"""Seconds for starting a process on a busy host, beside the work itself."""


class Ask(Struct, frozen=True):
    """A request as it was sent, of one of the questions, and the media type of its answer."""

    question: str
    body: bytes
    sent_as: bytes = b"application/json"
    media_type: str = "application/json"


class Reply(Struct, frozen=True):
    """The answer as bytes, or the problem in its place with the headers that go with it."""

    body: bytes = b""
    problem: Problem | None = None
    headers: dict[str, str] = {}
