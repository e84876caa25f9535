"""How a route reads its body: strict, by Content-Type, and no larger than allowed.

The framework's own decoding takes ``"1.5"`` and ``"NaN"`` for numbers, reads any Content-Type as JSON and fails with
500 on deep nesting or bad UTF-8; so a route reads the body and hands it to our decoder (:mod:`..wire.decode`), and
:mod:`.openapi` documents it from the Struct itself.
"""

from __future__ import annotations

from typing import Any

from litestar import Request
from litestar.exceptions.http_exceptions import InternalServerException, RequestEntityTooLarge

from ..wire.decode import empty, unsupported
from ..wire.problems import CUT_OFF, TOO_LARGE, UNSUPPORTED, RequestError


def content_type(scope: Any) -> bytes:
    """Return the Content-Type header as it was sent, empty where there is none.

    Raises:
        RequestError: the body is encoded. A small body may decode to a very large one, and none here needs it.
    """
    sent_as = b""
    for name, value in scope["headers"]:
        if name == b"content-type":
            sent_as = sent_as or bytes(value)
        elif name == b"content-encoding" and value.strip().lower() not in (b"", b"identity"):
            raise RequestError(
                UNSUPPORTED,
                "A compressed body is not read here; send it plain.",
                headers={"Accept-Encoding": "identity"},
            )
    return sent_as


class StrictRequest(Request[Any, Any, Any]):
    """A request whose body has content; the framework would not pass an empty one to the decoder."""

    async def body(self) -> bytes:
        """Return the whole body.

        Raises:
            RequestError: it is empty; or it is announced, or turns out, larger than the limit; or it ends early.
        """
        try:
            body = await super().body()
        except RequestEntityTooLarge:
            most = self.route_handler.resolve_request_max_body_size()
            raise RequestError(
                TOO_LARGE, f"The body is larger than {most} bytes, the most this service takes."
            ) from None
        except InternalServerException:  # the framework's word for a client that went away in the middle of its body
            raise RequestError(CUT_OFF, CUT_OFF.remedy) from None
        if body:
            return body
        sent_as = content_type(self.scope)
        raise empty() if sent_as else unsupported(sent_as)
