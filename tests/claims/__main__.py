"""Measure what answers state on simulated machines of known truth: python -m tests.claims [machines].

Writes tests/reference/coverage.md. ``machines`` are those of each row; 54 take some minutes.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from claims.measured import MEASURES, rows
from claims.row import table

PAGE = Path(__file__).parents[1] / "reference" / "coverage.md"
HEAD = """# What is stated, and how often it is so

Written by `python -m tests.claims {machines}`. Every machine, form and reading is simulated and invented
(`tests/claims/family.py`); its true gaps come from exact geometry. A share is of trials; where these are few it may
miss what is stated by chance. "nothing" stands where nothing is claimed.
"""


def main() -> None:
    """Measure, and write the page."""
    asked = argparse.ArgumentParser(prog="python -m tests.claims", description=__doc__)
    asked.add_argument("machines", type=int, nargs="?", default=54, help="how many machines for each row")
    asked.add_argument("--out", type=Path, default=PAGE, help="file for the page")
    given = asked.parse_args()
    found = [row for measure in MEASURES for row in rows(measure, given.machines)]
    text = "\n".join([HEAD.format(machines=given.machines), *table(found)]) + "\n"
    given.out.write_text(text)
    print(text)


if __name__ == "__main__":
    main()
