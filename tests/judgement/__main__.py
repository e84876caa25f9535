"""Judge the advice given on awkward surveys of invented machines: python -m tests.judgement 2000 [--out FILE].

With --case, one case: its request, its answer and what is wrong with it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))

from judgement.answer import ask
from judgement.cases import nth
from judgement.judges import Trial, judge
from judgement.report import judged


def main() -> None:
    """Print the table, or one case."""
    asked = argparse.ArgumentParser(prog="python -m tests.judgement", description=__doc__)
    asked.add_argument("count", type=int, nargs="?", default=200, help="how many cases")
    asked.add_argument("--start", type=int, default=0, help="number of the first")
    asked.add_argument("--out", type=Path, help="file for the table")
    asked.add_argument("--case", type=int, help="show this one")
    given = asked.parse_args()
    if given.case is not None:
        one = nth(given.case)
        trial = Trial(one, ask(one.request))
        shown = {
            "case": {"kind": one.kind, "machine": one.built.name, "disturbed": one.disturbed},
            "request": one.request,
            "answer": trial.answer.document,
            "true": {"stations": trial.totals, "bed": trial.bed_totals} if trial.steps and not trial.beyond else {},
            "findings": judge(trial),
        }
        text = msgspec.json.format(msgspec.json.encode(shown), indent=1).decode()
    else:
        text = "\n".join(judged(range(given.start, given.start + given.count)).lines())
    if given.out:
        given.out.write_text(text + "\n")
    print(text)


if __name__ == "__main__":
    main()
