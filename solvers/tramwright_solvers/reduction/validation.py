"""Faults of a machine's description that concern no single mechanism; all are collected before the request is
refused."""

from __future__ import annotations

from collections.abc import Iterable

from ..model.contract import Adjuster, Mechanism
from ..model.errors import Fault
from ..model.machine import Machine
from . import sentences


def machine_faults(machine: Machine) -> list[Fault]:
    """Return every fault found in the machine's own description."""
    faults = []
    for axis in ("x", "y"):
        low, high = getattr(machine.bed, axis)
        if not low < high:
            faults.append(Fault(f"/machine/bed/{axis}", sentences.bed_runs_backwards(axis, low, high)))
    for place, support in enumerate(machine.supports):
        if support.screw is not None and support.screw.contradicts_itself:
            faults.append(Fault(f"/machine/supports/{place}/screw/turned_part", sentences.PART_AND_BUILD_DIFFER))
    seats = machine.rails.seats if machine.rails is not None else []
    names = [support.id for support in machine.supports] + [seat.id for seat in seats]
    if len(set(names)) == len(names):
        return faults
    seen: dict[str, str] = {}
    pointers = [f"/machine/supports/{i}" for i in range(len(machine.supports))]
    pointers += [f"/machine/rails/seats/{i}" for i in range(len(seats))]
    for pointer, name in zip(pointers, names, strict=True):
        if name in seen:
            faults.append(Fault(f"{pointer}/id", sentences.id_used_twice(name, seen[name])))
        seen.setdefault(name, pointer)
    return faults


def solver_faults(chosen: Iterable[tuple[Mechanism, tuple[Adjuster, ...]]], given: bool) -> list[Fault]:
    """Return faults of ``solve.with``: one adjuster under two solvers, a hold that names nothing, all held."""
    faults = []
    owner: dict[str, str] = {}
    free = 0
    for index, (mechanism, adjusters) in enumerate(chosen):
        pointer = f"/solve/with/{index}" if given else "/machine"
        ids = [adjuster.id for adjuster in adjusters]
        for name in ids:
            if name in owner:
                faults.append(
                    Fault(
                        f"{pointer}/solver",
                        sentences.moved_by_two_solvers(mechanism.name(), owner[name], name),
                    )
                )
                break
        owner.update(dict.fromkeys(ids, mechanism.name()))
        for position, held in enumerate(mechanism.hold):
            if held not in ids:
                faults.append(
                    Fault(
                        f"{pointer}/hold/{position}",
                        sentences.no_such_adjuster(mechanism.name(), held, ", ".join(ids)),
                    )
                )
        free += len(set(ids) - set(mechanism.hold))
    if not faults and free == 0:
        faults.append(Fault("/solve/with", sentences.ALL_HELD))
    return faults
