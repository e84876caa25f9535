"""A machine that was read before, found again in a request by its bytes: most lines of a batch describe the same."""

from __future__ import annotations

MEMBER = b'"machine":'
SPACES = b" \t"

HEAD = 512
"""Bytes of a request within which its machine begins, if it is looked for: an `id` may come before it."""


class KnownMachine:
    """The description read last.

    It is looked for only where the first object within the request begins. So what comes before is the beginning of the
    request itself, and where the member's name stands right before it, it is the request's own `machine` or the request
    is not well formed or has a member of a name that is not known.
    """

    def __init__(self) -> None:
        self._member = b""
        self._name = 0
        """Bytes of the member before its value."""
        self.length = 0
        """Bytes of the description; zero before there is one."""

    def learn(self, request: bytes, machine: bytes) -> None:
        """Remember the description of a machine, if that is how the first object within the request begins."""
        at = request.find(b"{", 1, HEAD)
        before = request[: max(at, 0)].rstrip(SPACES)
        stands = machine.startswith(b"{") and before.endswith(MEMBER) and request.startswith(machine, at)
        self._member = request[len(before) - len(MEMBER) : at + len(machine)] if stands else b""
        self.length = len(machine) if stands else 0
        self._name = len(self._member) - self.length

    def find(self, request: bytes) -> int:
        """Return where the description begins in a request; zero where another stands there, or none."""
        at = request.find(b"{", 1, HEAD)
        return at if self.length and at > 0 and request.startswith(self._member, at - self._name) else 0
