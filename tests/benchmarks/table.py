"""The table of rates: its rows, how it is written, and what it says against the one written last."""

from __future__ import annotations

import os
import platform
import re
from pathlib import Path
from typing import NamedTuple

import numpy as np

RESULTS = Path(__file__).with_name("results.md")
FALL = 0.1
"""Share by which a figure may be worse than the last one recorded before it is flagged."""


class Row(NamedTuple):
    """One line of the table."""

    what: str
    figure: str
    ratio: str = ""

    @property
    def better(self) -> float:
        """What is compared from one table to the next, more being better: the ratio where there is one, since both its
        figures come from one run, else the figure; and where less is better, one over it."""
        of_itself = self.ratio in ("", "1")
        told = re.match(r"[\d,.]+", self.figure if of_itself else self.ratio)
        value = float(told[0].replace(",", "")) if told else 0.0
        return value if "/s" in self.figure else 1.0 / max(value, 1e-9)


def recorded(path: Path = RESULTS) -> dict[str, Row]:
    """Return the rows of the table written last, by what they tell."""
    if not path.is_file():
        return {}
    cells = [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in path.read_text(encoding="utf-8").splitlines()
        if line.startswith("|")
    ]
    return {own[0]: Row(*own[:3]) for own in cells[2:]}


def change(row: Row, last: dict[str, Row]) -> str:
    """Say how a row compares with the last one recorded; what fell by more than :data:`FALL` is flagged."""
    before = last.get(row.what)
    if before is None:
        return "new"
    if (before.ratio in ("", "1")) != (row.ratio in ("", "1")):
        return "told otherwise"
    gained = row.better / before.better - 1.0
    return f"{gained:+.0%}" + (" **fell**" if gained < -FALL else "")


def shown(row: Row, last: dict[str, Row]) -> str:
    """Return a row as it is printed."""
    return f"{row.what:<82} {row.figure:>50} {row.ratio:>6}  {change(row, last)}"


def write(rows: list[Row], last: dict[str, Row], asked_by: str) -> None:
    """Write the table as Markdown, with the host it was measured on."""
    head = (
        f"{len(os.sched_getaffinity(0))} cores ({platform.machine()}), {platform.system()}, Python "
        f"{platform.python_version()}, numpy {np.__version__}, one BLAS thread. Written by "
        "`python tests/benchmarks/everything.py`; ratios within one run, to the row marked 1 above each. The last "
        "column compares the ratio, or the figure where it is alone, with the table before. One request at a time is "
        f"asked by {asked_by}: requests/s, microseconds of a processor of the server for each, and p50 / p90 / p99.\n"
    )
    body = "\n".join(f"| {row.what} | {row.figure} | {row.ratio} | {change(row, last)} |" for row in rows)
    columns = "| what | figure | ratio | against the last |\n| --- | --- | --- | --- |"
    RESULTS.write_text(f"{head}\n{columns}\n{body}\n", encoding="utf-8")
