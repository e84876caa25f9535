"""What ``machine.extras`` can hold: it is read without a type, and handed on as MessagePack."""

from __future__ import annotations

from typing import Any

from . import sentences

DEEPEST = 64
"""How deep objects and arrays in ``extras`` may be nested."""
LEAST_WHOLE, MOST_WHOLE = -(2**63), 2**64 - 1
"""The whole numbers that MessagePack holds."""


def check_extras(extras: dict[str, Any]) -> None:
    """Refuse values that MessagePack does not hold; decoders of JSON read them.

    Raises:
        ValueError: a whole number has more than 64 bits, or objects and arrays are nested too deeply.
    """
    level: list[Any] = [extras]
    for _ in range(DEEPEST):
        below = [one for outer in level for one in (outer.values() if isinstance(outer, dict) else outer)]
        if any(isinstance(one, int) and not LEAST_WHOLE <= one <= MOST_WHOLE for one in below):
            raise ValueError(sentences.EXTRAS_TOO_LARGE)
        level = [one for one in below if isinstance(one, dict | list)]
        if not level:
            return
    raise ValueError(sentences.EXTRAS_TOO_DEEP)
