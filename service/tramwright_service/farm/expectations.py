"""What a client expects of the resource that it changes: If-Match and If-None-Match (RFC 9110, 13.1)."""

from __future__ import annotations

import re
from typing import NamedTuple

from ..wire import problems
from ..wire.problems import RequestError

# as `tag_of` and, compressed, `representations.py` write them: of anything else the beginning may be a number too
_TAG = re.compile(r'"(\d{1,9})(?:\.msgpack)?(?:-gzip)?"', re.ASCII)


class Expected(NamedTuple):
    """Versions that the client would change (None: any, one at least where ``there``), or that there is none yet."""

    versions: frozenset[int] | None = None
    there: bool = False
    absent: bool = False

    @classmethod
    def of(cls, if_match: str, if_none_match: str) -> Expected:
        """Read both headers, empty where they were not sent."""
        tags = frozenset(int(tag) for tag in _TAG.findall(if_match))
        wanted = tags if if_match.strip() not in ("", "*") else None
        return cls(wanted, bool(if_match), if_none_match.strip() == "*")

    def check(self, version: int | None) -> None:
        """Compare with the version that is there, None for none.

        Raises:
            RequestError: it is another.
        """
        if self.absent and version is not None:
            raise RequestError(problems.CHANGED, f"There is one already, of version {version}; nothing was changed.")
        if (self.there and version is None) or (self.versions is not None and version not in self.versions):
            found = "There is none" if version is None else f"It has version {version} by now"
            raise RequestError(problems.CHANGED, f"{found}; nothing was changed. {problems.CHANGED.remedy}")
