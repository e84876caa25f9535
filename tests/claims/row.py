"""One statement measured: what is stated of which machines, and how often it proved so."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

SURE = 3.3
"""Standard deviations of a share by which a sample may miss what is stated: 1 in 2000 does so by chance, each way."""


@dataclass(frozen=True)
class Row:
    """A share measured over so many trials, which is stated to be from ``least`` to ``most``.

    Without bounds nothing is stated, and the share is for information.
    """

    claim: str
    family: str
    trials: int
    measured: float
    least: float = 0.0
    most: float = 1.0

    @property
    def stated(self) -> str:
        if (self.least, self.most) == (0.0, 1.0):
            return "nothing"
        if self.most == 0.0:
            return "never"
        if self.least and self.most < 1.0:
            return f"{percent(self.least)} to {percent(self.most)}"
        return f"at least {percent(self.least)}" if self.least else f"at most {percent(self.most)}"

    @property
    def holds(self) -> bool:
        """Whether the sample is no further off than chance makes it."""
        return self.least - self.slack(self.least) <= self.measured <= self.most + self.slack(self.most)

    def slack(self, share: float) -> float:
        return SURE * sqrt(share * (1.0 - share) / max(self.trials, 1)) + 1e-12


def percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def table(rows: list[Row]) -> list[str]:
    """Return the rows as a table in Markdown."""
    head = ["| claim | family | trials | stated | measured |", "| --- | --- | --: | --- | --: |"]
    return head + [
        f"| {one.claim} | {one.family} | {one.trials} | {one.stated} | {percent(one.measured)}"
        f"{'' if one.holds else ' **not so**'} |"
        for one in rows
    ]
