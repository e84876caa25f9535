"""Follow simulated machines over a year, and count what was said of them that is true: python -m tests.drift 500."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from drift.report import judged, lines


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(prog="python -m tests.drift", description=__doc__)
    asked.add_argument("count", type=int, nargs="?", default=500, help="how many machines")
    asked.add_argument("--start", type=int, default=0, help="number of the first; it was tuned on those below 500")
    given = asked.parse_args()
    print("\n".join(lines(judged(range(given.start, given.start + given.count)))))


if __name__ == "__main__":
    main()
