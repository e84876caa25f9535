"""How a route reads its body: strict, by Content-Type, and no larger than allowed.

The framework's own decoding takes ``"1.5"`` and ``"NaN"`` for numbers, reads any Content-Type as JSON and fails with
500 on deep nesting or bad UTF-8; so a route reads the body and hands it to our decoder (:mod:`..wire.decode`), and
:mod:`.openapi` documents it from the Struct itself.
"""

from __future__ import annotations

from typing import Any

from litestar import Request
from litestar.exceptions.http_exceptions import RequestEntityTooLarge

from ..wire.decode import empty, unsupported
from ..wire.problems import TOO_LARGE, RequestError


def content_type(scope: Any) -> bytes:
    """Return the Content-Type header as it was sent, empty where there is none."""
    for name, value in scope["headers"]:
        if name == b"content-type":
            return bytes(value)
    return b""


class StrictRequest(Request[Any, Any, Any]):
    """A request whose body has content; the framework would not pass an empty one to the decoder."""

    async def body(self) -> bytes:
        """Return the whole body.

        Raises:
            RequestError: it is empty; or it is announced, or turns out, larger than the limit.
        """
        try:
            body = await super().body()
        except RequestEntityTooLarge:
            most = self.route_handler.resolve_request_max_body_size()
            raise RequestError(
                TOO_LARGE, f"The body is larger than {most} bytes, the most this service takes."
            ) from None
        if body:
            return body
        sent_as = content_type(self.scope)
        raise empty() if sent_as else unsupported(sent_as)
