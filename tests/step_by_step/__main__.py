"""Follow re-planned steps on simulated machines, and the first plan: python -m tests.step_by_step 500 50."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from step_by_step.report import report
from step_by_step.workshop import JOBS


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(prog="python -m tests.step_by_step", description=__doc__)
    asked.add_argument("count", type=int, nargs="?", default=500, help="machines whose adjusters do 70 to 130 %%")
    asked.add_argument("faulty", type=int, nargs="?", default=50, help="as many of which one slips or sticks")
    asked.add_argument("--job", choices=list(JOBS), action="append", help="only this one")
    given = asked.parse_args()
    for line in report(given.count, given.faulty, given.job or list(JOBS)):
        print(line, flush=True)


if __name__ == "__main__":
    main()
