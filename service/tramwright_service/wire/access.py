"""API keys as they are written, and the scopes that they have."""

from __future__ import annotations

import re
from typing import Literal, get_args

Scope = Literal["read", "submit", "manage"]
SCOPES: tuple[Scope, ...] = get_args(Scope)
"""What a key may do; each scope includes those before it."""

PREFIX = "twk_"
"""What every key begins with, so that whoever finds one, a scanner for secrets too, knows what it is."""
KEY = re.compile(rf"{PREFIX}([a-z2-7]{{8}})_[A-Za-z0-9_-]{{43}}", re.ASCII)
"""A key: its id, which is no secret, and 32 random bytes."""
_SECRETS = re.compile(rf"\b({PREFIX}|whsec_)[\w+/=-]+".encode())


def includes(scope: Scope, needed: Scope) -> bool:
    """Say whether a scope is the one needed, or includes it."""
    return SCOPES.index(scope) >= SCOPES.index(needed)


def discreet(line: bytes) -> bytes:
    """Return a line of the log without keys and secrets of webhooks, wherever somebody has put them."""
    return _SECRETS.sub(rb"\1...", line) if b"twk_" in line or b"whsec_" in line else line
