"""One survey of the collection: what a client would send, and what is true of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import msgspec
import numpy as np

from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve

from .machines import MECHANISMS, Built, blind
from .truth import ExactMachine, Place

K = 1.645
"""Coverage factor of the answers: 95 % on one side."""


@dataclass(frozen=True)
class Case:
    """One survey, what is true of it, and what was done to it.

    ``zero`` is what the dial reads at a gap of 0 when the survey begins. ``disturbed`` is how far the worst reading is
    beside what it should be, ``shown_without`` says that an answer may leave that reading out by itself; ``other_unit``
    that all are written in another unit; ``repairable`` that an honest survey shows a bed which the adjusters can bring
    within its limit.
    """

    number: int
    kind: str
    built: Built
    scale: float
    readings: list[dict[str, Any]]
    zero: float
    options: dict[str, Any] = field(default_factory=dict)
    disturbed: float = 0.0
    shown_without: bool = False
    other_unit: bool = False
    repairable: bool = False

    @property
    def machine(self) -> Machine:
        return self.built.machine

    @cached_property
    def places(self) -> list[Place]:
        """Stations read, each once."""
        return list(dict.fromkeys((one["x"], one["y"]) for one in self.readings))

    @property
    def blind(self) -> bool:
        """True where a tilt or the twist cannot be seen from the stations."""
        return blind(self.places, self.machine.bed.x[1])

    @property
    def usual_u(self) -> float:
        """Expanded uncertainty of the difference of two honest readings, from the indicator's description alone."""
        machine = self.machine
        return K * float(np.sqrt(2 * (machine.indicator_variance + machine.repeat_variance)))

    @property
    def trusted(self) -> bool:
        """True where every reading is honest and from one zero."""
        return not self.disturbed and not self.other_unit

    def exact(self) -> ExactMachine:
        """Return the true machine as it was found."""
        return self.built.exact(self.scale)

    @property
    def request(self) -> dict[str, Any]:
        """What a client would send."""
        solve = msgspec.to_builtins(Solve(with_=MECHANISMS[self.built.name])) | self.options
        return {"machine": msgspec.to_builtins(self.machine), "survey": {"readings": self.readings}, "solve": solve}
