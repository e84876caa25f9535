"""What `by_document.py` adds to schemathesis: a form that it does not read, and that keys are asked for before all."""

from __future__ import annotations

import os
from typing import Any

import msgspec
import schemathesis

from tramwright_service.wire.access import SCOPES, Scope, includes

GIVEN: tuple[str, str] = (os.environ["KEY_GIVEN"], os.environ["SCOPE_GIVEN"])
"""The key that requests are sent with, unless schemathesis tries them without, and its scope."""


@schemathesis.deserializer("application/msgpack")
def msgpack(_: Any, response: Any) -> Any:
    return msgspec.msgpack.decode(response.content)


@schemathesis.check
def keys_are_asked_for_first(_: Any, response: Any, case: Any) -> None:
    """401 without a key, 403 with one of a lesser scope, whatever else is wrong; neither with one that may."""
    security = case.operation.definition.raw["security"]
    needed: Scope | None = next((scope for one in security for scope in one.get("key", ())), None)
    if "The header of a request may have" in response.text:
        return  # it never came to be a request
    if needed is None or {} in security:
        assert response.status_code not in (401, 403)
    elif response.request.headers.get("authorization") != f"Bearer {GIVEN[0]}":
        assert response.status_code in (401, *NO_ROUTE)
    elif includes(next(one for one in SCOPES if one == GIVEN[1]), needed):
        assert response.status_code not in (401, 403)
    else:
        assert response.status_code in (403, *NO_ROUTE)


NO_ROUTE = (404, 405, 204)
"""Answers where there is nothing to ask for a key: no such path, no such method, and OPTIONS."""
