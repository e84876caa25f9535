"""Heat expansion of a bed, and the temperature difference between its faces that would explain the bow found.

Warmed evenly, a free plate grows and stays flat. A difference ΔT between its faces bends it to the curvature α·ΔT/t, so
that it bows by α·ΔT·L²/(8 t) over a length L (handbook formula; 92.2 µm for aluminium, L 500 mm, t 8 mm, 1 K). That
difference is not measured here, so the bow is given for each kelvin of it, and the difference that would explain the
bow found.
"""

from __future__ import annotations

from typing import Literal

from ..model.machine import Machine
from ..model.materials import expansion_of
from ..model.survey import Survey
from ..multisurvey.significance import CRITICAL
from . import sentences
from .results import Bow, Heat

Bows = dict[Literal["x", "y"], tuple[float, float, bool] | None]
"""Change of bow along each axis, its u and whether it is significant; None where it is not known."""


def heat(machine: Machine, before: Survey, after: Survey, bows: Bows) -> Heat | None:
    """Compare the bows found with what heat can do; None where a temperature is missing."""
    if before.bed_temperature is None or after.bed_temperature is None:
        return None
    change = after.bed_temperature - before.bed_temperature
    bed, alpha = machine.bed, expansion_of(machine.bed.material)
    lengths = {"x": bed.x[1] - bed.x[0], "y": bed.y[1] - bed.y[0]}
    told = list[Bow]()
    for axis, found in bows.items():
        per = None if alpha is None or bed.thickness is None else alpha * lengths[axis] ** 2 / (8.0 * bed.thickness)
        value, u = (None, None) if found is None else found[:2]
        difference = None if per is None or value is None else value / per
        told.append(Bow(axis, per, value, u, difference, None if per is None or u is None else u / per))
    return Heat(
        before.bed_temperature,
        after.bed_temperature,
        change,
        bed.material,
        alpha,
        None if alpha is None else alpha * change * lengths["x"],
        None if alpha is None else alpha * change * lengths["y"],
        told,
        _says(machine, change, told, any(found is not None and found[2] for found in bows.values())),
    )


def _says(machine: Machine, change: float, bows: list[Bow], bowed: bool) -> str:
    """Say whether heat in the plate explains the bow; ``bowed`` where one is more than noise."""
    if expansion_of(machine.bed.material) is None:
        return sentences.MATERIAL_UNKNOWN
    if not bowed:
        told = any(bow.found is not None for bow in bows)
        return sentences.WARMED_EVENLY if told else sentences.BOW_NOT_TOLD
    if machine.bed.thickness is None:
        return sentences.THICKNESS_WANTED
    needed = [
        (bow.along, bow.difference, bow.difference_u)
        for bow in bows
        if bow.difference is not None and bow.difference_u is not None
    ]
    said = sentences.difference_needed(needed)
    values, spread = [difference for _, difference, _ in needed], sum(u**2 for *_, u in needed) ** 0.5
    if max(values) - min(values) > CRITICAL * spread:
        return sentences.bows_alike_both_ways(said)
    if any(abs(difference) - CRITICAL * u > abs(change) for _, difference, u in needed):
        return sentences.more_than_the_warming(said, change)
    return sentences.possible_with_this_warming(said, change)
