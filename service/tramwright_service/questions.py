"""The other questions of the job, beside the correction itself: one row each.

From a row come the route, its part of the OpenAPI document, the self-test at start and ``tramwright ask``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, get_origin

from msgspec import Struct

from tramwright_solvers.registry import Registry


class Question(Struct, frozen=True):
    """One question: a payload in, an answer out, nothing stored.

    ``name`` is the last part of the path, the folder of its examples and the name on the command line. ``request``
    returns the type of the payload for the solvers installed, ``solve`` answers it and ``text`` writes the answer for a
    person at the machine.
    """

    name: str
    operation_id: str
    summary: str
    says: str
    request: Callable[[Registry], Any]
    answer: type[Struct]
    solve: Callable[[Any, Registry], Any]
    text: Callable[[Any], str]

    def component(self, registry: Registry) -> str:
        """Return the name of the payload's type in the OpenAPI document."""
        model = self.request(registry)
        return str((get_origin(model) or model).__name__)


QUESTIONS: tuple[Question, ...] = ()
"""Every question, in the order in which the documentation shows them."""
