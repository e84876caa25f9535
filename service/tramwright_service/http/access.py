"""Who may ask: the scope that each route needs, keys as bearer tokens (RFC 6750), and how often a key may ask.

Every route says in its ``opt`` what it needs: ``READ``, ``SUBMIT`` or ``MANAGE``, each of which includes those before,
or ``OPEN``, which needs no key. With a route that says nothing no application is made. The OpenAPI document is written
from the same.
"""

from __future__ import annotations

import ipaddress
import math
from collections.abc import Iterable
from time import monotonic
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from litestar.connection import ASGIConnection
from litestar.handlers import BaseRouteHandler
from litestar.types import ASGIApp, Receive, Send

from ..wire import problems
from ..wire.access import Scope, includes
from ..wire.problems import Kind, RequestError

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ..farm.keys import Key, Keys

NEEDS = "tramwright.needs"
OPEN: dict[str, Scope | None] = {NEEDS: None}
READ: dict[str, Scope | None] = {NEEDS: "read"}
SUBMIT: dict[str, Scope | None] = {NEEDS: "submit"}
MANAGE: dict[str, Scope | None] = {NEEDS: "manage"}

WHO = "tramwright.key"
"""Where the scope of an exchange holds the key that it came with."""
MINUTE = 60.0
BY_ROUNDING = 1e-6
MANY = 10_000
"""Keys from which on those that have not asked for a while are forgotten."""


def needed(route: BaseRouteHandler) -> Scope | None:
    """Return the scope that a route needs, None where it needs no key.

    Raises:
        TypeError: the route does not say.
    """
    if NEEDS not in route.opt:
        raise TypeError(f"{route} says of no scope; give it opt=READ, SUBMIT, MANAGE or OPEN of http/access.py")
    scope: Scope | None = route.opt[NEEDS]
    return scope


class Door:
    """Judges each request to a route that is not open to everybody."""

    def guarded(self, app: ASGIApp, scope: Scope | None) -> ASGIApp:
        """Return an application that answers whoever may do what needs this scope."""
        if scope is None:
            return app

        async def answered(exchange: Any, receive: Receive, send: Send) -> None:
            await self.admit(exchange, scope)
            await app(exchange, receive, send)

        return answered

    async def guard(self, connection: ASGIConnection[Any, Any, Any, Any], route: BaseRouteHandler) -> None:
        """Do the same for a route of the framework, which calls this before anything of the request is read."""
        if (scope := needed(route)) is not None:
            await self.admit(connection.scope, scope)

    async def admit(self, exchange: Any, scope: Scope) -> None:
        """Let a request pass.

        Raises:
            RequestError: it may not.
        """
        raise NotImplementedError


class Local(Door):
    """Lets in whoever asks for this host by a name that is no other's.

    To a browser a page is of one origin with this service where the name of its host, which is whoever's it is, leads
    here by now (DNS rebinding): it could read and change everything. The header Host still has that name.
    """

    async def admit(self, exchange: Any, scope: Scope) -> None:
        """Let a request pass.

        Raises:
            RequestError: it asks for another host.
        """
        host = next((value for name, value in exchange["headers"] if name == b"host"), b"")
        try:
            name = urlsplit(f"//{host.decode('latin-1')}").hostname
        except ValueError:
            name = ""
        if host and not is_loopback(name or ""):
            raise RequestError(problems.OTHER_HOST, problems.OTHER_HOST.remedy)


class Access(Door):
    """Asks for a key.

    Args:
        keys: the keys there are.
        rate: requests a minute that a key may make; 0: any number.
    """

    def __init__(self, keys: Keys, rate: int) -> None:
        self._keys = keys
        self._each = MINUTE / rate if rate else 0.0
        self._due = dict[str, float]()

    async def admit(self, exchange: Any, scope: Scope) -> None:
        """Let a request pass.

        Raises:
            RequestError: it has no key, or one that is not valid or of a lesser scope, or its key asks too often; or
                the store that has the keys cannot be read.
        """
        shown = presented(exchange["headers"])
        if not shown:
            raise refused(problems.NO_KEY, "Send `Authorization: Bearer <key>`; whoever runs the service makes keys.")
        key = await self._keys.find(shown)
        if key is None:
            raise refused(problems.BAD_KEY, "This service has no such key; it may have been revoked.", "invalid_token")
        exchange[WHO] = key
        if key.expired:
            raise refused(problems.BAD_KEY, f"The key `{key.name}` has expired.", "invalid_token")
        if self._each:
            self._count(key)
        if not includes(key.scope, scope):
            detail = f"The key `{key.name}` has the scope `{key.scope}`; this needs `{scope}`."
            raise refused(problems.SCOPE, detail, "insufficient_scope", scope)

    async def holds(self, exchange: Any) -> bool:
        """Say whether the key of a request that was let in would still be taken: a stream may outlive it."""
        if WHO not in exchange:
            return True
        try:
            return await self._keys.holds(exchange[WHO])
        except RequestError:  # nobody can tell
            return False

    def _count(self, key: Key) -> None:
        """Take one request from the key's bucket, which holds those of a minute and fills evenly.

        Raises:
            RequestError: it is empty.
        """
        now = monotonic()
        full = max(self._due.get(key.id, now), now) + self._each  # when the bucket is going to be full again
        if (wait := full - now - MINUTE) > BY_ROUNDING:
            detail = f"The key `{key.name}` may make {round(MINUTE / self._each)} requests a minute."
            raise RequestError(problems.TOO_MANY, detail, headers={"Retry-After": str(math.ceil(wait))})
        if len(self._due) > MANY:
            self._due = {name: due for name, due in self._due.items() if due > now}
        self._due[key.id] = full


def is_loopback(host: str) -> bool:
    """Say whether a host, a name or an address, is reached from itself only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def may(exchange: Any, scope: Scope) -> bool:
    """Say whether a request that has been let in may also do what needs this scope."""
    return WHO not in exchange or includes(exchange[WHO].scope, scope)


def presented(headers: Iterable[tuple[bytes, bytes]]) -> str:
    """Return the bearer token of a request, empty where it has none."""
    for name, value in headers:
        if name == b"authorization":
            how, _, token = value.decode("latin-1").partition(" ")
            return token.strip() if how.lower() == "bearer" else ""
    return ""


def refused(kind: Kind, detail: str, error: str = "", scope: str = "") -> RequestError:
    """Return the problem of a request that needs another key, with the challenge of RFC 6750 (section 3)."""
    told = {"realm": "tramwright", "error": error, "scope": scope}
    challenge = ", ".join(f'{name}="{value}"' for name, value in told.items() if value)
    return RequestError(kind, detail, headers={"WWW-Authenticate": f"Bearer {challenge}"})
