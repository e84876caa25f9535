"""One event posted to one webhook, signed as the Standard Webhooks specification has it; what came of it.

A receiver can cost no more than a few seconds and some kilobytes: it is not followed to where it redirects, what it
answers is read to a bound, and the whole has its time.
"""

from __future__ import annotations

import asyncio
import hmac
import ssl
from base64 import b64encode
from hashlib import sha256
from typing import Any

import httpcore

from ..wire.media_types import CLOUD_EVENT
from .targets import Targets, Unreachable
from .webhooks import Outcome

SECONDS = 10.0
"""How long a delivery may take, from looking up the name to the end of the answer."""
MOST = 2**14
"""Bytes of an answer that are read."""
GONE = 410


def signature(secret: bytes, message: str, timestamp: int, body: bytes) -> str:
    """Return the header `webhook-signature`: HMAC-SHA256 of id, time and body, parted by full stops."""
    signed = f"{message}.{timestamp}.".encode() + body
    return "v1," + b64encode(hmac.digest(secret, signed, sha256)).decode()


class Checked(httpcore.AsyncNetworkBackend):
    """Makes connections to addresses that were judged, whatever a name leads to the next time."""

    def __init__(self, targets: Targets) -> None:
        self._targets = targets
        self._own = httpcore.AnyIOBackend()

    async def connect_tcp(self, host: str, port: int, *rest: Any, **more: Any) -> httpcore.AsyncNetworkStream:
        """Connect to a host.

        Raises:
            Unreachable: an address of it may not be reached.
            httpcore.ConnectError: none of them answers.
        """
        *others, last = await self._targets.resolved(host, port)
        for address in others:
            try:
                return await self._own.connect_tcp(address, port, *rest, **more)
            except (httpcore.ConnectError, httpcore.ConnectTimeout):
                continue
        return await self._own.connect_tcp(last, port, *rest, **more)

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(seconds)


class Sender:
    """Posts events."""

    def __init__(self, targets: Targets) -> None:
        # certificates are those that this host trusts: a farm may have an authority of its own
        context = ssl.create_default_context()
        self._pool = httpcore.AsyncConnectionPool(ssl_context=context, network_backend=Checked(targets))
        self.close = self._pool.aclose

    async def post(self, url: str, secret: bytes, message: str, timestamp: int, body: bytes) -> Outcome:
        """Post an event under the id of its message."""
        headers: list[tuple[bytes | str, bytes | str]] = [
            ("content-type", CLOUD_EVENT),
            ("user-agent", "tramwright"),
            ("webhook-id", message),
            ("webhook-timestamp", str(timestamp)),
            ("webhook-signature", signature(secret, message, timestamp, body)),
        ]
        try:
            async with (
                asyncio.timeout(SECONDS),
                self._pool.stream("POST", url, headers=headers, content=body) as answer,
            ):
                read = 0
                async for part in answer.aiter_stream():
                    read += len(part)
                    if read > MOST:
                        break
                return _told(answer)
        except Unreachable as error:
            return Outcome(f"{error}.")
        except TimeoutError:
            return Outcome(f"It did not answer within {SECONDS:.0f} seconds.")
        except (httpcore.NetworkError, httpcore.TimeoutException, httpcore.ProtocolError, OSError) as error:
            return Outcome(f"The connection failed: {str(error) or type(error).__name__}."[:300])


def _told(answer: httpcore.Response) -> Outcome:
    if 200 <= answer.status < 300:
        return Outcome()
    if 300 <= answer.status < 400:
        return Outcome(f"It answered {answer.status}; nobody follows a redirection here, so give the URL it leads to.")
    wait = dict(answer.headers).get(b"retry-after", b"")
    return Outcome(
        f"It answered {answer.status}.", answer.status == GONE, float(wait) if wait.isdigit() and len(wait) < 6 else 0.0
    )
