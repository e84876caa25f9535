"""Geometries kept by the bytes they take: who is kept, who makes room, and whether a geometry takes what it counts."""

from __future__ import annotations

import sys
from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_service.catalogue import examples
from tramwright_solvers.correction.api import correct, reduce_stack
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.batching import SurveyRequest, answer_many, stack_by_stack, verdicts
from tramwright_solvers.correction.cache import MOST_BYTES, GeometryCache
from tramwright_solvers.correction.geometry import Geometry
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.machine import Bed, Machine, Rails, Seat, Support
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Reading, Survey

REGISTRY = build(BUILT_IN)
SUPPORTS = [Support("a", 30.0, 40.0), Support("b", 470.0, 40.0), Support("c", 250.0, 460.0)]


def asked(side: int, seats: int = 0, bed: float = 500.0) -> tuple[Machine, Survey, Solve[Any]]:
    """Invented: a grid of side × side stations on three screws, with so many seats on each rail."""
    places = [Seat(f"{y:g}-{k}", f"{y:g}", k * 500.0 / (seats - 1), y) for y in (-20.0, 520.0) for k in range(seats)]
    machine = Machine(bed=Bed((0.0, bed), (0.0, 500.0)), supports=SUPPORTS, rails=Rails("x", places) if seats else None)
    at = np.linspace(10.0, 490.0, side).tolist()
    return machine, Survey([Reading(x, y, round(1e-6 * x * y, 3)) for y in at for x in at]), Solve()


def prepared(side: int, seats: int = 0, bed: float = 500.0, cache: GeometryCache | None = None) -> Geometry:
    machine, survey, solve = asked(side, seats, bed)
    return reduce_stack(machine, [survey], solve, REGISTRY, cache).prepared


def held_by(found: object, seen: set[int]) -> int:
    """Bytes of an object and of all that it holds, each counted once."""
    if id(found) in seen or found is None or isinstance(found, type):
        return 0
    seen.add(id(found))
    if isinstance(found, np.ndarray):
        owner = found
        while isinstance(owner.base, np.ndarray):
            owner = owner.base
        seen_before = id(owner) in seen and owner is not found
        seen.add(id(owner))
        return 0 if seen_before else owner.nbytes
    inside: list[object] = []
    if isinstance(found, dict):
        inside = [*found, *found.values()]
    elif isinstance(found, list | tuple | set | frozenset):
        inside = list(found)
    elif isinstance(found, msgspec.Struct):
        inside = [getattr(found, name) for name in found.__struct_fields__]
    return sys.getsizeof(found) + sum(held_by(one, seen) for one in [*inside, getattr(found, "__dict__", None)])


@pytest.mark.parametrize(("side", "seats"), [(5, 0), (5, 2), (10, 3), (20, 0), (25, 2)])
def test_a_geometry_counts_with_what_it_takes_once_answered_in_full(side: int, seats: int) -> None:
    machine, survey, solve = asked(side, seats)
    done = reduce_stack(machine, [survey], solve, REGISTRY)
    done.corrections()
    assert all(zone.kept for zone in done.prepared.candidates.zones)  # what the other criterion needs
    assert done.prepared.slips.neighbours
    # Within a sixth: the estimate is meant to bound memory, not to account for it.
    assert done.prepared.nbytes == pytest.approx(held_by(done.prepared, set()), rel=1 / 6)


def test_a_farm_of_230_machines_fits() -> None:
    assert 230 * prepared(5, 2).nbytes < MOST_BYTES


def test_the_least_recently_used_makes_room() -> None:
    cache = GeometryCache(prepared(5).nbytes * 5 // 2)

    def of(bed: float) -> Geometry:
        return prepared(5, bed=bed, cache=cache)

    first, second = of(500.0), of(510.0)
    assert of(500.0) is first
    third = of(520.0)  # the second was used longest ago
    assert len(cache) == 2
    assert of(500.0) is first
    assert of(520.0) is third
    assert of(510.0) is not second


def test_what_is_larger_than_the_cache_is_answered_and_not_kept() -> None:
    cache = GeometryCache(2 * prepared(5).nbytes)
    kept = prepared(5, cache=cache)
    large = asked(12)
    assert msgspec.json.encode(correct(*large, REGISTRY, cache)) == msgspec.json.encode(correct(*large, REGISTRY))
    assert len(cache) == 1
    assert prepared(5, cache=cache) is kept
    none = GeometryCache(0)
    correct(*asked(5), REGISTRY, none)
    assert len(none) == 0


@pytest.mark.parametrize("name", ["tilted-bed", "twisted-frame", "minimum-zone", "four-screws"])
def test_answers_from_a_cache_are_the_same_bytes(name: str) -> None:
    payload, cache = examples.corrections()[name], GeometryCache()
    machine, survey = msgspec.convert(payload["machine"], Machine), msgspec.convert(payload["survey"], Survey)
    once, twice = (msgspec.json.encode(correct(machine, survey, Solve(), REGISTRY, cache)) for _ in range(2))
    assert once == twice == msgspec.json.encode(correct(machine, survey, Solve(), REGISTRY))
    assert len(cache) == 1


def test_what_a_machine_is_called_and_what_is_aimed_for_make_no_other_geometry() -> None:
    payload = examples.corrections()["twisted-frame"]
    machine, survey = msgspec.convert(payload["machine"], Machine), msgspec.convert(payload["survey"], Survey)
    machines = [replace(machine, id=name) for name in ("siskin-01", "siskin-02", "siskin-03")]
    solves = [Solve(aim_for=0.0), Solve(), Solve(criterion="minimum-zone", aim_for=0.0), Solve(most_moves=2)]
    requests = [SurveyRequest(one, survey, solve) for one in machines for solve in solves]
    for write in (verdicts, stack_by_stack(ReducedStack.moves_answers), stack_by_stack(ReducedStack.corrections)):
        cache = GeometryCache()
        told = [msgspec.to_builtins(one) for one in answer_many(requests, REGISTRY, write, cache)]
        assert len(cache) == 1
        assert told == [msgspec.to_builtins(answer_many([one], REGISTRY, write)[0]) for one in requests]
        assert [one["machine"] for one in told] == [one.machine.id for one in requests]
