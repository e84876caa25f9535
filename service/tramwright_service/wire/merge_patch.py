"""JSON merge patch (RFC 7396): what a patch names is changed, null takes it away, everything else stays."""

from __future__ import annotations

from typing import Any

import msgspec

from . import problems
from .media_types import MARK
from .problems import RequestError
from .repeats import repeated


def read(patch: bytes) -> dict[str, Any]:
    """Return the members that a patch changes.

    Raises:
        RequestError: it cannot be read, or is no object.
    """
    patch = patch.removeprefix(MARK)
    try:
        change, twice = msgspec.json.decode(patch), repeated(patch)
    except RecursionError:
        raise RequestError(problems.UNREADABLE, problems.TOO_DEEP) from None
    except (msgspec.DecodeError, UnicodeDecodeError):
        raise RequestError(problems.UNREADABLE, problems.UNREADABLE.remedy) from None
    if not isinstance(change, dict):
        raise RequestError(problems.INVALID, "A merge patch is an object with the members that are to change.")
    if twice:
        raise RequestError(problems.INVALID, f"The member `{twice[-1]}` is given twice; keep the one that is meant.")
    return change


def merged(document: bytes, change: dict[str, Any]) -> bytes:
    """Return a JSON document with what a patch changes.

    Raises:
        RequestError: it is nested too deeply.
    """
    try:
        return msgspec.json.encode(_merge(msgspec.json.decode(document), change))
    except RecursionError:
        raise RequestError(problems.UNREADABLE, problems.TOO_DEEP) from None


def _merge(target: Any, change: Any) -> Any:
    """Return the target changed, as section 2 of the RFC writes it."""
    if not isinstance(change, dict):
        return change
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in change.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = _merge(result.get(name), value)
    return result
