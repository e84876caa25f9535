"""Checks of what a mechanism declares: itself, its options, its adjusters, conditions, parts and remarks."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np

from ..correction.setup import set_up
from ..mechanisms.adjusters import adjusters_of
from ..mechanisms.plug_ins.outputs import resolves
from ..mechanisms.registry import why_unusable
from ..model.contract import Move, Site
from ..model.errors import Impossible
from .case import EXACT, STEP, Case, allowed


def declaration(case: Case) -> Iterator[str]:
    """Contract version, frozen, tagged, unknown fields forbidden, every option with a default."""
    if reason := why_unusable(type(case.mechanism), ()):
        yield reason
    if not case.mechanism.needs:
        yield "`needs` must say in one sentence what the machine must describe"


def options(case: Case) -> Iterator[str]:
    """Options survive JSON and a mistyped option is refused."""
    kind = type(case.mechanism)
    written = msgspec.json.encode(case.mechanism)
    if msgspec.json.decode(written, type=kind) != case.mechanism:
        yield "the options do not come back from JSON as they were"
    unknown = {**msgspec.json.decode(written), "no-such-option": 1}
    try:
        msgspec.convert(unknown, kind)
    except msgspec.ValidationError:
        return
    yield "an unknown option is accepted in silence"


def adjusters(case: Case) -> Iterator[str]:
    """Ids are unique, pointers lead into the machine, and standing still is allowed."""
    listed = case.mechanism.adjusters(case.machine)
    if not listed:
        yield "there are no adjusters"
    if len({adjuster.id for adjuster in listed}) != len(listed):
        yield "two adjusters share one id"
    if listed != case.mechanism.adjusters(case.machine):
        yield "asked twice, the adjusters differ"
    document = {"machine": msgspec.to_builtins(case.machine), "options": msgspec.to_builtins(case.mechanism)}
    for adjuster in listed:
        if not adjuster.lower <= 0.0 <= adjuster.upper:
            yield f"`{adjuster.id}` cannot stay where it is: its travel is from {adjuster.lower} to {adjuster.upper}"
        if not (np.isfinite(adjuster.effort) and adjuster.effort > 0):
            yield f"the effort of `{adjuster.id}` must be positive and finite"
        if adjuster.step is not None and not (np.isfinite(adjuster.step) and adjuster.step > 0):
            yield f"the step of `{adjuster.id}` must be positive and finite"
        if adjuster.work and "{turn}" not in adjuster.work:
            yield f"the `work` of `{adjuster.id}` has no {{turn}} in it"
        if unknown := set(adjuster.after) - {one.id for one in listed}:
            yield f"`{adjuster.id}` goes `after` {sorted(unknown)}, which are no adjusters of this mechanism"
        if adjuster.setting is not None and not (np.isfinite(adjuster.setting) and adjuster.setting > 0):
            yield f"the setting of `{adjuster.id}` must be positive and finite"
        if not resolves(document, adjuster.pointer):
            yield f"the pointer of `{adjuster.id}`, {adjuster.pointer!r}, leads nowhere in the request"


def extras(case: Case) -> Iterator[str]:
    """What the machine describes for this solver alone is read, and a mistyped member of it is refused."""
    kind, name = case.mechanism.extras, case.mechanism.name()
    if kind is None:
        return
    config = kind.__struct_config__
    if not (config.frozen and config.forbid_unknown_fields):
        yield "the Struct of its extras must be frozen and forbid unknown fields"
    if not isinstance(case.mechanism.described(case.machine), kind):
        yield f"`machine.extras.{name}` is not read into its Struct"


def said_of_places(case: Case) -> Iterator[str]:
    """What a user says of a support or seat that is an adjuster here reaches the adjustment: bounds, step and so on."""
    document = msgspec.to_builtins(case.machine)
    places = [*document["supports"], *(document["rails"]["seats"] if document["rails"] else ())]
    names = {one.id for one in case.adjusters()} & {place["id"] for place in places}
    reach = 10.0 * case.small_step()
    told = {"travel": [-reach, reach], "step": 0.1 * reach, "setting": 0.01 * reach, "effort": 7.5}
    for place in places:
        if place["id"] in names:
            place.update(told)
    machine = msgspec.convert(document, type(case.machine))
    for one in adjusters_of(machine, case.mechanism):
        if one.id not in names:
            continue
        lost = [
            name
            for name, reaches in (
                ("travel", one.lower >= -reach and one.upper <= reach),
                ("step", one.step is not None),
                ("setting", one.setting is not None),
                ("effort", one.effort == told["effort"]),
            )
            if not reaches
        ]
        if lost:
            said = ", ".join(lost)
            yield f"what is said of `{one.id}` under {said} is lost: its pointer must lead to that support or seat"


def conditions(case: Case) -> Iterator[str]:
    """Conditions have the stated shapes and a reason for each row, and some travels keep them."""
    found = case.mechanism.conditions(case.machine)
    if found is None:
        return
    count = len(case.mechanism.adjusters(case.machine))
    rows = len(found.because)
    if found.matrix.shape != (rows, count) or found.lower.shape != (rows,) or found.upper.shape != (rows,):
        yield f"{rows} reasons, but matrix {found.matrix.shape} and ends {found.lower.shape}, {found.upper.shape}"
        return
    if not np.all(np.isfinite(found.matrix)):
        yield "the matrix is not finite"
    if not np.all(found.lower <= found.upper):
        yield "a condition has its lower end above its upper end"
        return
    try:
        set_up(case.machine, (case.mechanism,), (), True)
    except Impossible as impossible:
        yield f"nothing keeps them: {impossible.faults[0].detail}"


def parts(case: Case) -> Iterator[str]:
    """The parts in which travels are carried out add up to them, for every direction that equations allow."""
    count = len(case.mechanism.adjusters(case.machine))
    for direction in allowed(case.mechanism.conditions(case.machine), count).T:
        travels = STEP * case.size * direction
        counted, made = np.zeros(count), np.zeros(count)
        for part in case.mechanism.parts(Move(case.machine, case.points.copy(), travels.copy())):
            for column, travel in part.counts.items():
                counted[column] += travel
            made[part.adjuster] += part.about if part.travel is None else part.travel
        told = f"for travels {np.round(travels, 6).tolist()}"
        if not np.allclose(counted, travels, rtol=0.0, atol=EXACT * case.size):
            yield f"{told} the parts count {np.round(counted, 6).tolist()}"
        if not np.allclose(made, travels, rtol=0.0, atol=EXACT * case.size):
            yield f"{told} the parts move {np.round(made, 6).tolist()}"


def remarks(case: Case) -> Iterator[str]:
    """Effects and the known shape are finite, patches have a number for each point, cautions are sentences."""
    site = Site(case.machine, case.points.copy())
    known, patches = case.mechanism.known_shape(site), case.mechanism.patches(site)
    if known is not None and not (known.gap.shape == (len(case.points),) and np.all(np.isfinite(known.gap))):
        yield "the known shape must have one finite number for each point"
    if patches is not None and not (patches.shape == (len(case.points),) and patches.dtype.kind in "iu"):
        yield "`patches` must have one whole number for each point"
    travels = np.full(len(case.mechanism.adjusters(case.machine)), STEP * case.size)
    for effect in case.mechanism.effects(Move(case.machine, case.points.copy(), travels)):
        if not np.isfinite(effect.value):
            yield f"effect `{effect.name}` is not finite"
    for caution in case.mechanism.cautions(case.machine):
        if not caution.strip().endswith((".", "!")):
            yield f"a caution is not a sentence: {caution!r}"
