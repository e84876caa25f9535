"""What heat does to a bed: how much it grows, and what difference between its faces would bow it as found.

Warmed evenly, a free plate grows and stays flat. A difference ΔT between its faces bends it to the curvature α·ΔT/t, so
that it bows by α·ΔT·L²/(8 t) over a length L (handbook formula; 92.2 µm for aluminium, L 500 mm, t 8 mm, 1 K). That
difference is not measured here, so the bow is given for each kelvin of it, and the difference that would explain the
bow found.
"""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from ..model.machine import Machine
from ..model.materials import expansion_of
from ..model.survey import Survey
from ..multisurvey.significance import CRITICAL


class Bow(Struct, frozen=True):
    """Bow along one axis: ``per_kelvin`` of difference between the faces, and what was found.

    ``found`` is the change of bow, positive where the ends rose against the middle, null where the stations cannot tell
    it. ``difference`` would explain it, in kelvin, positive = underside warmer than before against the top; it is null
    where ``per_kelvin`` or ``found`` is.
    """

    along: Literal["x", "y"]
    per_kelvin: float | None
    found: float | None
    u: float | None
    difference: float | None
    difference_u: float | None


class Heat(Struct, frozen=True):
    """Change of the bed's temperature, after less before, and what is to be expected of it.

    ``growth_x`` and ``growth_y`` are by how much the bed grows over its size in x and y, null where its material is not
    known by name; ``expansion`` is per kelvin.
    """

    before: float
    after: float
    change: float
    material: str | None
    expansion: float | None
    growth_x: float | None
    growth_y: float | None
    bows: list[Bow]
    says: str


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
        return (
            "What the bed is made of is not known here, so no growth or bow can be expected of it; name its material "
            "under `machine.bed.material`."
        )
    if not bowed:
        return (
            "A bed warmed evenly grows and stays flat, and no change of bow was found: nothing says that its faces "
            "differ in temperature."
        )
    if machine.bed.thickness is None:
        return "The bow changed; give `machine.bed.thickness` to learn what difference between the faces would do that."
    needed = [
        (bow.along, bow.difference, bow.difference_u)
        for bow in bows
        if bow.difference is not None and bow.difference_u is not None
    ]
    listed = " and ".join(f"{difference:+.1f} K (u {u:.1f} K) along {axis}" for axis, difference, u in needed)
    said = f"The change of bow would take a difference between the faces, underside less top, of {listed}"
    values, spread = [difference for _, difference, _ in needed], sum(u**2 for *_, u in needed) ** 0.5
    if max(values) - min(values) > CRITICAL * spread:
        return (
            f"{said}; but a free plate bows alike both ways, so heat in the plate alone does not explain it: look at "
            "how it is held, at the frame and the gantry."
        )
    if any(abs(difference) - CRITICAL * u > abs(change) for _, difference, u in needed):
        return (
            f"{said}; that is more than the whole change of {change:+.1f} K, so heat in the plate alone does not "
            "explain it: look at how it is held, at the frame and the gantry."
        )
    return f"{said}, which a change of {change:+.1f} K makes possible; measure both faces to be sure."
