"""Pages of lists: an opaque cursor says where the last page ended, so that nothing is skipped or shown twice."""

from __future__ import annotations

import binascii
from base64 import urlsafe_b64decode, urlsafe_b64encode
from typing import Annotated, Any, NamedTuple

import msgspec
from msgspec import Meta

from ..wire.problems import BAD_REQUEST, RequestError

# whoever makes a cursor up must not find numbers that a database cannot hold
Number = Annotated[int, Meta(ge=0, le=2**31 - 1)]
"""Of a survey or a note, as a cursor has it."""
Moment = Annotated[int, Meta(ge=-62_135_596_800_000_000, le=250_000_000_000_000_000)]
"""Microseconds since 1970, as a cursor has them: the years 1 to 9892, which can be shown."""


class Page(NamedTuple):
    """How many entries are wanted, and after which; from the first where the cursor is empty."""

    size: int
    cursor: str = ""

    def after(self, kind: Any) -> Any:
        """Return where the last page ended, None for the first page.

        Raises:
            RequestError: the cursor is none that was given out for such a list.
        """
        if not self.cursor:
            return None
        try:
            packed = urlsafe_b64decode(self.cursor + "=" * (-len(self.cursor) % 4))
            return msgspec.msgpack.decode(packed, type=kind)
        except (binascii.Error, ValueError, msgspec.MsgspecError):
            detail = "This `cursor` is none that this list has given; take `next` of the page before, as it is."
            raise RequestError(BAD_REQUEST, detail) from None

    def cut(self, rows: list[Any], key: Any) -> tuple[list[Any], str | None]:
        """Return the rows of the page, of which one more than fits was asked for, and the cursor of the next one."""
        if len(rows) <= self.size:
            return rows, None
        rows = rows[: self.size]
        return rows, urlsafe_b64encode(msgspec.msgpack.encode(key(rows[-1]))).rstrip(b"=").decode()
