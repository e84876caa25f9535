"""How an answer shows itself: whole when it is printed, in a line where it stands among other values.

The views are the last room, since they write out the answers of every question; they are loaded when something is
shown.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any, ClassVar

from msgspec import Struct

VIEWS = "tramwright_solvers.views"
LONGEST = 100
"""Characters of the headline in a `repr`."""


class Shown(Struct, frozen=True):
    """An answer with a view of its own; every one has a ``machine``, and ``says`` something."""

    view: ClassVar[str]
    """The module among the views."""

    def __str__(self) -> str:
        """Return the answer as a person reads it at the machine."""
        return str(self._view().as_text(self)).rstrip("\n")

    def __repr__(self) -> str:
        """Return the kind of answer, the machine and the headline."""
        said: str = getattr(self, "says", "")
        short = said if len(said) <= LONGEST else f"{said[:LONGEST]}…"
        return f"<{type(self).__name__} of {getattr(self, 'machine', '')}: {short}>"

    def _repr_html_(self) -> str:
        """Return the answer for notebooks."""
        return str(self._view().as_html(self))

    def _view(self) -> Any:
        return import_module(f"{VIEWS}.{self.view}")
