"""Passes to inside 0.03 mm with and without learning, on 500 simulated machines that move 70 to 130 % of what is asked.

Run from the repository with ``tests`` on the path: ``PYTHONPATH=tests python tests/benchmarks/learning.py [machines]``.
The same machines, with the same noise, are trammed both ways. Prints distributions; it judges nothing.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from repeated_passes import AS_FOUND, INSIDE, JOBS, MOST, tram

CASES = (
    (INSIDE, 0.0, AS_FOUND),
    (0.0, 0.0, AS_FOUND),
    (INSIDE, 0.1, AS_FOUND),
    (INSIDE, 0.0, (0.2, 0.6)),
)
"""Aim, play and total as found, all in mm."""


def main() -> None:
    """Tram every machine both ways, for every job, two aims, with play in the adjusters, and when little is out."""
    machines = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    for job in JOBS:
        for aim, play, found in CASES:
            low, high = found
            print(f"{job}, {low:g} to {high:g} mm out, aim {aim:g} mm, play {play:g} mm, {machines} machines:")
            kept, forecasts = {}, list[bool]()
            for learning in (False, True):
                runs = [tram(job, seed, learning=learning, aim=aim, play=play, found=found) for seed in range(machines)]
                kept[learning] = passes = np.array([run.passes for run in runs])
                counted = ", ".join(
                    f"{count}: {number}" if count <= MOST else f"not within {MOST}: {number}"
                    for count, number in sorted(Counter(passes.tolist()).items())
                )
                print(
                    f"  {'learning' if learning else 'not learning':>12}: median {np.median(passes):g}, mean "
                    f"{passes.mean():.2f}, 95 % within {np.quantile(passes, 0.95, method='higher'):g} ({counted})"
                )
                if learning:
                    errors = np.concatenate([run.errors for run in runs])
                    forecasts = [
                        run.passes - index <= told.at_most for run in runs for index, told in enumerate(run.forecasts)
                    ]
            more = kept[True] - kept[False]
            print(f"  fewer on {np.sum(more < 0)}, as many on {np.sum(more == 0)}, more on {np.sum(more > 0)}")
            print(f"  learnt responses: rms error {np.sqrt(np.mean(errors**2)):.2f} u over {len(errors)} estimates")
            print(f"  forecast `at_most` held {np.mean(forecasts) * 100:.1f} % of {len(forecasts)} times")


if __name__ == "__main__":
    main()
