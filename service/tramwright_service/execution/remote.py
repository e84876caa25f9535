"""A service that runs elsewhere, asked over HTTP: the same answers as here, and the same refusals."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from time import monotonic
from typing import Any

import msgspec

from .. import version
from ..wire.media_types import JSON
from ..wire.problems import MEDIA_TYPE, NOT_READY, Problem, RequestError, Told

PATIENCE = 120.0
"""Seconds in which a service that says when to ask again is asked again."""
CONNECTING, SILENT = 10.0, 600.0
"""Seconds that a connection may take, and that a service may work on an answer without a word."""
LATER = (429, 503)


class Remote:
    """A running service. Whatever is asked of it is a question: to ask it twice does no harm."""

    def __init__(self, url: str, key: str | None = None) -> None:
        import httpx  # loaded only where a service is asked

        own = {"User-Agent": f"tramwright/{version()}"} | ({"Authorization": f"Bearer {key}"} if key else {})
        self.url = url.rstrip("/")
        self._client = httpx.AsyncClient(
            base_url=self.url, headers=own, timeout=httpx.Timeout(SILENT, connect=CONNECTING)
        )

    async def aclose(self) -> None:
        """End the connections."""
        await self._client.aclose()

    async def ask(
        self,
        path: str,
        body: bytes | None = None,
        sent_as: str = JSON,
        wanted: str = JSON,
        query: dict[str, Any] | None = None,
    ) -> bytes:
        """Return the answer to a document that is sent, or of what there is at a path.

        Where the service says when to ask again, it is asked again then.

        Raises:
            Told: the service refuses it.
            RequestError: nothing answers there, or not as a service like this one does.
        """
        import httpx

        method, headers = "GET" if body is None else "POST", {"Accept": wanted}
        if body is not None:
            headers["Content-Type"] = sent_as
        end = monotonic() + PATIENCE
        while True:
            try:
                told = await self._client.request(method, path, content=body, headers=headers, params=query)
            except httpx.ConnectError as error:
                raise _lost(
                    f"Nothing answers at {self.url} ({error}); start the service there, or say where."
                ) from None
            except httpx.HTTPError as error:
                raise _lost(f"{self.url} did not answer to the end ({error or type(error).__name__}).") from None
            pause = told.headers.get("retry-after", "")
            if not (told.status_code in LATER and pause.isdigit() and monotonic() + int(pause) < end):
                break
            await asyncio.sleep(int(pause))
        kind = told.headers.get("content-type", "").partition(";")[0]
        if told.status_code == 200 and kind == wanted:
            return told.content
        if kind == MEDIA_TYPE:
            with suppress(msgspec.MsgspecError):
                raise Told(msgspec.json.decode(told.content, type=Problem), dict(told.headers))
        answers = f"{told.status_code} {told.reason_phrase}".strip()
        raise _lost(f"{self.url}{path} answers {answers} ({kind or 'no type'}), and not as this service does.")


def _lost(why: str) -> RequestError:
    return RequestError(NOT_READY, why)
