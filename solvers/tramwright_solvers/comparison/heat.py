"""Heat expansion of a bed, and the temperature difference between its faces that would explain the bow found.

Warmed evenly, a free plate grows and stays flat. A difference ΔT between its faces bends it to the curvature α·ΔT/t, so
that it bows by α·ΔT·L²/(8 t) over a length L (handbook formula; 92.2 µm for aluminium, L 500 mm, t 8 mm, 1 K). That
difference is not measured here, so the bow is given for each kelvin of it, and the difference that would explain the
bow found.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.machine import Machine
from ..model.materials import expansion_of
from ..model.quantities import MaybeUncertainty
from ..model.survey import Survey
from ..multisurvey.significance import CRITICAL


class Bow(Struct, frozen=True):
    """Bow along one axis that a difference of temperature between the bed's faces makes."""

    along: Annotated[Literal["x", "y"], Meta(description="Axis along which the bed bows.")]
    per_kelvin: Annotated[
        float | None,
        Meta(
            description="Bow for each kelvin of difference between the faces, in `units`; null where thickness or "
            "expansion of the bed is not known."
        ),
    ]
    found: Annotated[
        float | None,
        Meta(
            description="Change of bow found, in `units`, positive = the ends rose against the middle; null where the "
            "stations cannot tell it."
        ),
    ]
    u: MaybeUncertainty
    difference: Annotated[
        float | None,
        Meta(
            description="Difference that would explain it, in kelvin, positive = underside warmer against the top "
            "than before; null where `per_kelvin` or `found` is."
        ),
    ]
    difference_u: Annotated[
        float | None, Meta(description="Standard uncertainty (k = 1) of that difference, in kelvin; null where it is.")
    ]


class Heat(Struct, frozen=True):
    """Change of the bed's temperature, and what is to be expected of it."""

    before: Annotated[float, Meta(description="Temperature of the bed in the first survey, in °C.")]
    after: Annotated[float, Meta(description="Temperature of the bed in the second survey, in °C.")]
    change: Annotated[float, Meta(description="After less before, in kelvin.")]
    material: Annotated[str | None, Meta(description="Material of the bed, as sent; null where none was.")]
    expansion: Annotated[
        float | None,
        Meta(description="Coefficient of linear expansion, per kelvin; null where the material is not known by name."),
    ]
    growth_x: Annotated[
        float | None,
        Meta(
            description="Growth of the bed over its size in x, in `units`, positive = longer; null where `expansion` "
            "is."
        ),
    ]
    growth_y: Annotated[
        float | None,
        Meta(
            description="Growth of the bed over its size in y, in `units`, positive = longer; null where `expansion` "
            "is."
        ),
    ]
    bows: Annotated[list[Bow], Meta(description="Bow along x and along y.")]
    says: Annotated[str, Meta(description="What the heat does, in a sentence or two.")]


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
