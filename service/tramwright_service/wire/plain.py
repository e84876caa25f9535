"""Texts of strangers made harmless where people read them: terminal, plain text, tables, log.

A control character can move the cursor or clear a screen, and a mark of writing direction can show digits in another
order than they stand in; both come out as JSON writes them, `\\u001b`. JSON so treated means the same as before.
"""

from __future__ import annotations

import re

from tramwright_solvers.model.quantities import UNPRINTED

_IN_A_LINE = re.compile(f"[{UNPRINTED}]")
_IN_LINES = re.compile(f"(?!\n)[{UNPRINTED}]")


def plain(text: str) -> str:
    """Return a text as one line."""
    return text if text.isprintable() else _IN_A_LINE.sub(_escaped, text)


def plain_lines(text: str) -> str:
    """Return a text whose own line breaks stay."""
    return _IN_LINES.sub(_escaped, text)


def _escaped(found: re.Match[str]) -> str:
    return f"\\u{ord(found[0]):04x}"
