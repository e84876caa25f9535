"""What each detail of the answer costs for one survey of a stack, and what set-ups, drift and the checks add.

Run: python tests/benchmarks/stacks.py. Ratios within one run, against a plain least-squares fit of all adjusters.
"""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter
from typing import Any

import numpy as np

from tramwright_service.catalogue import examples
from tramwright_service.wire.decode import Decoder
from tramwright_service.wire.media_types import JSON
from tramwright_service.wire.requests import CorrectionRequest, correction_request
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.batching import StackWriter, SurveyRequest, answer_many, stack_by_stack, verdicts
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms.registry import Registry, installed
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey

EXAMPLE = "twisted-frame"
SIDE = 5
DETAILS: dict[str, StackWriter[Any]] = {
    "verdict": verdicts,
    "moves": stack_by_stack(ReducedStack.moves_answers),
    "full": stack_by_stack(ReducedStack.corrections),
}


def asked(registry: Registry) -> tuple[Machine, Solve[Any]]:
    """The machine of the example and what is asked of it."""
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)
    request = decoder.decode(examples.read(EXAMPLE), JSON.encode())
    return request.machine, request.solve


def surveys(machine: Machine, count: int, kind: str) -> list[Survey]:
    """Invented surveys of a grid: from one zero, or in two set-ups that drift and close."""
    random, made = np.random.default_rng(4), []
    xs, ys = (np.linspace(low + 10.0, high - 10.0, SIDE).tolist() for low, high in (machine.bed.x, machine.bed.y))
    stations = [(x, y) for y in ys for x in xs]
    for _ in range(count):
        tilt, twist = random.normal(0.0, 0.1, 2), random.normal(0.0, 0.1)
        values = [
            float(tilt @ (x / 400.0, y / 400.0) + twist * x * y / 160_000.0 + error)
            for (x, y), error in zip(stations, random.normal(0.0, 0.005, len(stations)).tolist(), strict=True)
        ]
        read = [Reading(x, y, value) for (x, y), value in zip(stations, values, strict=True)]
        if kind == "two set-ups, drift":
            half = len(read) // 2
            first = [Reading(one.x, one.y, one.value, "a", float(k)) for k, one in enumerate(read[: half + 3])]
            second = [Reading(one.x, one.y, one.value, "b", float(k)) for k, one in enumerate(read[half:])]
            for run in (first, second):
                run.append(Reading(run[0].x, run[0].y, run[0].value, run[0].setup, 30.0))
            read = [*first, *second]
        made.append(Survey(read))
    return made


def microseconds(task: Callable[[], object], per: int) -> float:
    """Best of five, warm, for one survey."""
    task()
    best = np.inf
    for _ in range(5):
        start = perf_counter()
        task()
        best = min(best, perf_counter() - start)
    return float(best) / per * 1e6


def main() -> None:
    """Print the table."""
    registry = installed(with_plug_ins=False)
    machine, solve = asked(registry)
    cache = GeometryCache()
    for kind in ("one zero", "two set-ups, drift"):
        every = surveys(machine, 1024, kind)
        influence = np.random.default_rng(0).normal(size=(SIDE * SIDE, 7))
        inverse, gaps = np.linalg.pinv(influence), np.random.default_rng(1).normal(size=(1024, SIDE * SIDE))

        def plain(gaps: np.ndarray = gaps, inverse: np.ndarray = inverse, influence: np.ndarray = influence) -> Any:
            left = gaps - gaps @ inverse.T @ influence.T
            return left.max(axis=1) - left.min(axis=1), np.sqrt((left * left).mean(axis=1))

        base = microseconds(plain, 1024)
        print(f"{kind}: plain fit of a stack {base:.2f} us a survey")
        for name, write in DETAILS.items():
            for size in (1, 32, 1024):
                stack = [SurveyRequest(machine, survey, solve) for survey in every[:size]]
                each = microseconds(lambda stack=stack, write=write: answer_many(stack, registry, write, cache), size)
                print(f"  {name:<8} {size:>5} together {each:8.1f} us a survey, {each / base:7.1f} x plain")


if __name__ == "__main__":
    main()
