"""What the OpenAPI document says of keys: the scheme, the scope that each operation needs, and how one is refused."""

from __future__ import annotations

from typing import Any

from ..wire import problems
from ..wire.access import Scope

SCHEMES = {
    "key": {
        "type": "http",
        "scheme": "bearer",
        "description": "A key that `tramwright keys add` made. Its scope is `read`, `submit` or `manage`, each "
        "including those before it. Services on a loopback address ask for none unless they are set to.",
    }
}
ERRORS = (
    problems.NO_KEY, problems.BAD_KEY, problems.SCOPE, problems.OTHER_HOST, problems.TOO_MANY, problems.NO_ACCESS,
)  # fmt: skip
"""Problems of operations that need a key; the last one where the keys cannot be read from the store."""


def secure(operation: dict[str, Any], scope: Scope | None, *, asked: bool) -> None:
    """Write which scope an operation needs; ``asked``: whether this service asks for keys, or may, or may not."""
    needs: list[dict[str, list[str]]] = [] if scope is None else [{"key": [scope]}]
    operation["security"] = needs if asked or not needs else [*needs, {}]
