"""Which addresses webhooks may reach.

Whoever may set up a webhook makes this service send. So that he gets nowhere where he could not get himself, an address
is judged after its name was resolved, and the connection is made to the address that was judged: a name that is asked
for again may have another answer by then.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import urlsplit

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network

UNICAST = ipaddress.IPv6Network("2000::/3")
"""Addresses of IPv6 that are given out for the internet (RFC 4291, 2.4); what translates to IPv4 lies elsewhere."""
RESERVED = (ipaddress.ip_network("192.0.0.0/24"), ipaddress.ip_network("3fff::/20"))
"""What the registries of IANA reserve (RFC 6890, RFC 9637) and Python 3.11 takes for public."""
LOOKUPS = 4
"""Names that are looked up at once: one that has no answer for long holds up no other work."""
SECONDS = 5.0
"""How long a name may take, and a connection."""


class Unreachable(Exception):
    """A target that is not to be sent to, with the reason."""


class Targets:
    """The addresses that may be reached: public ones, and those in the networks given."""

    def __init__(self, networks: Iterable[Network]) -> None:
        self._networks = tuple(networks)
        self._lookups = ThreadPoolExecutor(LOOKUPS, thread_name_prefix="webhook names")

    def close(self) -> None:
        """Look up no more names."""
        self._lookups.shutdown(wait=False, cancel_futures=True)

    def allows(self, address: Address) -> bool:
        """Say whether an address may be reached."""
        if isinstance(address, ipaddress.IPv6Address) and (inner := address.ipv4_mapped or address.sixtofour):
            return self.allows(inner)
        if any(address in network for network in self._networks):
            return True
        if isinstance(address, ipaddress.IPv6Address) and address not in UNICAST:
            return False
        return address.is_global and not address.is_multicast and not any(address in one for one in RESERVED)

    async def resolved(self, host: str, port: int) -> list[str]:
        """Return the addresses of a host, all of them judged.

        Raises:
            Unreachable: it has none, or one that may not be reached.
        """
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(SECONDS):
                found = await loop.run_in_executor(self._lookups, _looked_up, host, port)
        except (OSError, UnicodeError, TimeoutError):
            raise Unreachable(f"The host `{host}` is not found") from None
        for one in found:
            if not self.allows(ipaddress.ip_address(one)):
                raise Unreachable(
                    f"`{host}` is at {one}, which is no public address and in no network of TRAMWRIGHT_WEBHOOK_TARGETS"
                )
        return found

    async def check(self, url: str) -> None:
        """Say whether a URL may be sent to.

        Raises:
            Unreachable: it may not, or it is no URL.
        """
        try:
            parts = urlsplit(url)
            host, port = parts.hostname, parts.port
        except ValueError:
            host = port = None
        if not host or parts.username is not None or parts.password is not None or parts.fragment:
            raise Unreachable("A URL for webhooks is `https://host/path`, without user and fragment")
        await self.resolved(host, port or (443 if parts.scheme == "https" else 80))


def _looked_up(host: str, port: int) -> list[str]:
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(one[4][0]) for one in found))
