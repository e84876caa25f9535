"""What the routes of the stored farm share: names in paths, pages, forms of answers, and that there is a store."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote, urlencode

import msgspec
from litestar.params import HeaderParameter, Parameter
from litestar.response.base import ASGIResponse
from litestar.types import Receive, Scope, Send
from msgspec import Struct

from ..wire.accept import accepted, choose
from ..wire.media_types import JSON, MSGPACK_NAMES
from ..wire.problems import BAD_REQUEST, NO_STORE, NOT_FOUND, RequestError
from ..wire.stored import StoredId, can_be_stored

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ..farm.farm import Farm

Id = Annotated[
    str, Parameter(description="`id` of the machine, not `.` or `..`.", schema_extra=msgspec.json.schema(StoredId))
]
Numbered = Annotated[int, Parameter(description="Number of the survey: the machine's first is 1.")]
Size = Annotated[int, Parameter(ge=1, le=1000, description="Most entries of a page, from 1 to 1000.")]
Cursor = Annotated[str, Parameter(max_length=1000, description="`next` of the page before; left out, the first page.")]
IfMatch = Annotated[
    str, HeaderParameter(name="If-Match", description="ETag of the version that is to be changed, or `*`.")
]
_KEY = r"[ -~]{0,253}[!-~]"
KEY = re.compile(rf'([!#-~](?:{_KEY})?)|"([!-~](?:{_KEY})?)"')
"""An Idempotency-Key, in quotes or without."""


class Encoded(ASGIResponse):
    """An answer already encoded as bytes."""

    def __init__(
        self, body: bytes, media_type: str, status: int = 200, headers: Sequence[tuple[bytes, bytes]] = ()
    ) -> None:
        self.body = body
        self.media_type = f"{media_type}; charset=utf-8" if media_type.startswith("text/") else media_type
        self.status = status
        self.more = headers

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send the answer."""
        headers = [
            (b"content-type", self.media_type.encode()),
            (b"content-length", b"%d" % len(self.body)),
            (b"vary", b"accept"),
            *self.more,
        ]
        await send({"type": "http.response.start", "status": self.status, "headers": headers})
        await send({"type": "http.response.body", "body": self.body, "more_body": False})


def kept(farm: Farm | None) -> Farm:
    """Return the farm.

    Raises:
        RequestError: this service stores nothing.
    """
    if farm is None:
        raise RequestError(NO_STORE, NO_STORE.remedy)
    return farm


def named(machine: str) -> str:
    """Return the id of a machine from a path.

    Raises:
        RequestError: no machine can have it.
    """
    if not can_be_stored(machine):
        detail = "No stored machine can have this `id`: 1 to 64 characters, no slash, none of control; not `.` or `..`."
        raise RequestError(NOT_FOUND, detail)
    return machine


def given(value: str | None, what: str, kind: Any) -> Any:
    """Return a query parameter.

    Raises:
        RequestError: it is none that it can be.
    """
    if value is None:
        return None
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        raise RequestError(BAD_REQUEST, f"`{what}`: {error}; change it, or leave it out.") from None


def key_of(sent: str) -> str | None:
    """Return the Idempotency-Key of a request, None without one; quotes about it are no part of it.

    Raises:
        RequestError: it is none.
    """
    if not sent:
        return None
    key = KEY.fullmatch(sent.strip())
    if key is None:
        raise RequestError(BAD_REQUEST, "An Idempotency-Key has 1 to 255 printable ASCII characters; send such a one.")
    return key[1] or key[2]


def form(request: Any) -> str:
    """Return the media type in which an answer from the store is given.

    Raises:
        RequestError: none of those offered is accepted.
    """
    return wanted(request.scope)


def wanted(scope: Any) -> str:
    """Return the same by the scope of a request."""
    return choose(accepted(scope["headers"]), (JSON, *MSGPACK_NAMES))


def answered(
    answer: Struct, media_type: str, status: int = 200, headers: Sequence[tuple[bytes, bytes]] = ()
) -> Encoded:
    """Return an answer from the store, in which documents may stand as JSON."""
    body = msgspec.json.encode(answer)
    if media_type != JSON:
        body = msgspec.msgpack.encode(msgspec.json.decode(body))
    return Encoded(body, media_type, status, headers)


def listed(answer: Any, media_type: str, request: Any) -> Encoded:
    """Return a page, with a link to the next one (RFC 8288)."""
    headers = []
    if answer.next is not None:
        query = [(name, value) for name, value in request.query_params.multi_items() if name != "cursor"]
        target = f"{quote(request.scope['path'])}?{urlencode([*query, ('cursor', answer.next)])}"
        headers.append((b"link", f'<{target}>; rel="next"'.encode()))
    return answered(answer, media_type, headers=headers)


def tag_of(version: int, media_type: str) -> tuple[bytes, bytes]:
    """Return the ETag of one version of a machine, in one form."""
    return b"etag", f'"{version}{"" if media_type == JSON else ".msgpack"}"'.encode()


def location(machine: str, *rest: object) -> tuple[bytes, bytes]:
    """Return where something is stored."""
    return b"location", "/".join(["/v1/machines", quote(machine, safe=""), *map(str, rest)]).encode()
