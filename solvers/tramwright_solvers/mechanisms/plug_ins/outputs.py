"""What a plug-in returned, checked against its contract before anything is computed with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from ...model.contract import (
    Adjuster,
    AtMost,
    Carried,
    Conditions,
    Effect,
    Floats,
    KnownShape,
    Mechanism,
    Move,
    Part,
    Replay,
    Site,
)
from ...model.machine import Machine
from . import sentences

T = TypeVar("T")

ROUNDING = 1e-9
"""Relative agreement of what is equal in exact arithmetic."""


class Broken(Exception):
    """What a method returned breaks the contract; says how."""


def adjusters(mechanism: Mechanism, machine: Machine, found: Any) -> tuple[Adjuster, ...]:
    """Return adjusters of the right types whose ids differ, whose pointers lead somewhere and that may stand still."""
    listed = typed(found, tuple[Adjuster, ...])
    if not listed:
        raise Broken(sentences.NOTHING_TO_MOVE)
    document = {"machine": msgspec.to_builtins(machine), "options": msgspec.to_builtins(mechanism)}
    seen = set[str]()
    for one in listed:
        if one.id in seen:
            raise Broken(sentences.id_twice(one.id))
        seen.add(one.id)
        if not resolves(document, one.pointer):
            raise Broken(sentences.pointer_leads_nowhere(one.id, one.pointer))
        for what, value in (("effort", one.effort), ("step", one.step), ("setting", one.setting)):
            if value is not None and not 0.0 < value < np.inf:
                raise Broken(sentences.not_positive(one.id, what))
        if one.scale is not None and not 0.0 < one.scale.travel < np.inf:
            raise Broken(sentences.not_positive(one.id, "scale"))
        if not 0.0 <= one.play < np.inf:
            raise Broken(sentences.not_positive(one.id, "play"))
        if one.work and "{turn}" not in one.work:
            raise Broken(sentences.work_without_turn(one.id))
        if not one.lower <= 0.0 <= one.upper:
            raise Broken(sentences.cannot_stay(one.id, one.lower, one.upper))
    if unknown := sorted({name for one in listed for name in one.after} - seen):
        raise Broken(sentences.after_nobody(unknown[0]))
    return listed


def influence(mechanism: Mechanism, site: Site, found: Any) -> Floats:
    """Return a finite array of one row for each point and one column for each adjuster."""
    return array(found, (len(site.points), len(mechanism.adjusters(site.machine))))


def gap_change(mechanism: Mechanism, move: Move, found: Any) -> Floats:
    """Return a finite array of one number for each point."""
    return array(found, (len(move.points),))


def known_shape(mechanism: Mechanism, site: Site, found: Any) -> KnownShape | None:
    """Return a name and a finite array of one number for each point, or nothing."""
    if found is None:
        return None
    if not isinstance(found, KnownShape):
        raise Broken(sentences.wrong_type(type(found).__name__))
    return KnownShape(typed(found.name, str), array(found.gap, (len(site.points),)))


def patches(mechanism: Mechanism, site: Site, found: Any) -> NDArray[np.int64] | None:
    """Return one whole number for each point, or nothing."""
    if found is None:
        return None
    if isinstance(found, np.ndarray) and found.dtype.kind not in "iu":
        raise Broken(sentences.no_numbers(str(found.dtype)))
    return array(found, (len(site.points),)).astype(np.int64)


def conditions(mechanism: Mechanism, machine: Machine, found: Any) -> Conditions | None:
    """Return conditions of the right shapes; which of them can be met together is seen where they are used."""
    if found is None:
        return None
    if not isinstance(found, Conditions):
        raise Broken(sentences.wrong_type(type(found).__name__))
    because = typed(found.because, tuple[str, ...])
    rows = len(because)
    matrix = array(found.matrix, (rows, len(mechanism.adjusters(machine))))
    lower, upper = (array(end, (rows,), finite=False) for end in (found.lower, found.upper))
    if not np.all(lower <= upper):
        raise Broken(sentences.ENDS_CROSS)
    at_most = typed(found.at_most, tuple[AtMost, ...])
    if not all(0 <= column < matrix.shape[1] for one in at_most for column in one.adjusters):
        raise Broken(sentences.OTHER_COLUMN_LIMITED)
    return Conditions(matrix, lower, upper, because, at_most)


def parts(mechanism: Mechanism, move: Move, found: Any) -> tuple[Part, ...]:
    """Return parts of existing adjusters whose counts add up to the travels."""
    listed = typed(found, tuple[Part, ...])
    counted = np.zeros(len(move.travels))
    for part in listed:
        if not all(0 <= column < len(counted) for column in (part.adjuster, *part.counts, *part.eases)):
            raise Broken(sentences.OTHER_COLUMN)
        for column, travel in part.counts.items():
            counted[column] += travel
    if not np.allclose(
        counted, move.travels, rtol=0.0, atol=ROUNDING * (1.0 + np.max(np.abs(move.travels), initial=0))
    ):
        raise Broken(sentences.PARTS_DO_NOT_ADD_UP)
    return listed


def replay(mechanism: Mechanism, carried: Carried, found: Any) -> Replay:
    """Return finite counts of existing adjusters, or none, for every step."""
    if not isinstance(found, Replay):
        raise Broken(sentences.wrong_type(type(found).__name__))
    counts, width = typed(found.counts, tuple[dict[int, float] | None, ...]), len(carried.travels)
    carry, clear = typed(found.carry, tuple[int, ...]), typed(found.clear, dict[int, float])
    used = [*carry, *clear, *(column for one in counts if one for column in one)]
    if len(counts) != len(carried.done) or not all(0 <= column < width for column in used):
        raise Broken(sentences.OTHER_COLUMN)
    if not np.all(np.isfinite([*clear.values(), *(by for one in counts if one for by in one.values())])):
        raise Broken(sentences.NOT_FINITE)
    return Replay(counts, carry, clear)


def effects(mechanism: Mechanism, move: Move, found: Any) -> tuple[Effect, ...]:
    """Return effects with finite values."""
    listed = typed(found, tuple[Effect, ...])
    if not np.all(np.isfinite([one.value for one in listed])):
        raise Broken(sentences.NOT_FINITE)
    return listed


def cautions(mechanism: Mechanism, machine: Machine, found: Any) -> tuple[str, ...]:
    """Return sentences."""
    return typed(found, tuple[str, ...])


def may_refuse(mechanism: Mechanism, machine: Machine, found: Any) -> bool:
    """Return yes or no."""
    return typed(found, bool)


CHECKS: dict[str, Callable[[Any, Any, Any], Any]] = {
    check.__name__: check
    for check in (
        adjusters,
        influence,
        gap_change,
        known_shape,
        patches,
        conditions,
        parts,
        replay,
        effects,
        cautions,
        may_refuse,
    )
}
"""The check of each method of a mechanism, by its name."""


def array(found: Any, shape: tuple[int, ...], finite: bool = True) -> Floats:
    """Return a copy as float64, which the plug-in cannot change afterwards."""
    if not isinstance(found, np.ndarray) or found.dtype.kind not in "fiu":
        raise Broken(sentences.no_numbers(getattr(found, "dtype", type(found)).__class__.__name__))
    if found.shape != shape:
        raise Broken(sentences.wrong_shape(found.shape, shape))
    if not np.all(np.isfinite(found) if finite else ~np.isnan(found)):
        raise Broken(sentences.NOT_FINITE)
    return np.array(found, dtype=np.float64)


def typed(found: Any, kind: type[T]) -> T:
    """Return what was returned as its stated type, numbers of numpy as plain ones."""
    try:
        return msgspec.convert(
            msgspec.to_builtins(found, builtin_types=(bytes,), enc_hook=lambda number: number.item()), kind
        )
    except (msgspec.ValidationError, TypeError, ValueError, AttributeError) as error:
        raise Broken(sentences.wrong_type(str(error))) from error


def resolves(document: Any, pointer: str) -> bool:
    """Say whether an RFC 6901 JSON Pointer leads somewhere in the document."""
    if not pointer.startswith("/"):
        return False
    for part in pointer[1:].split("/"):
        name = part.replace("~1", "/").replace("~0", "~")
        if isinstance(document, list) and name.isdigit() and int(name) < len(document):
            document = document[int(name)]
        elif isinstance(document, dict) and name in document:
            document = document[name]
        else:
            return False
    return True
