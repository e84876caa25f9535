"""The answer to a comparison of two surveys. Lengths are in the machine's unit; ``u`` is a standard uncertainty."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct

from ..model.quantities import (
    AdjusterId,
    Cautions,
    MachineId,
    MaybeDetectable,
    MaybeUncertainty,
    Significant,
    SmallestDetectable,
    SolverName,
    SolverVersions,
    StandardUncertainty,
    Units,
    X,
    Y,
)
from ..multisurvey.significance import Known


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


class TermChange(Struct, frozen=True):
    """Change of one term over the whole bed, after less before."""

    term: Annotated[str, Meta(description="`offset`, `tilt-x`, `tilt-y`, `twist`, `bow-x` or `bow-y`.")]
    change: Annotated[
        float | None,
        Meta(
            description="In `units`. Tilts: how much the far side (right, rear) rose against the near one; twist: how "
            "much front left and rear right rose against the other corners, halved; bows: how much the "
            "ends rose against the middle. Null where the stations, or a free zero, cannot tell."
        ),
    ]
    u: MaybeUncertainty
    significant: Significant
    smallest_detectable: MaybeDetectable


class Remainder(Struct, frozen=True):
    """Change that the terms leave at the stations of both surveys: local form, and slips of single readings."""

    stations: Annotated[int, Meta(description="Number of stations that both surveys read.")]
    rms: Annotated[float, Meta(description="Root mean square of what is left, in `units`.")]
    expected: Annotated[float, Meta(description="What noise alone would make it, in `units`.")]
    significant: Annotated[
        bool, Meta(description="True where the rms is more than noise: a chi-squared test at a risk of 0.1 %.")
    ]
    smallest_detectable: Annotated[
        float, Meta(description="Smallest rms that would have been found significant four times in five, in `units`.")
    ]


class AdjusterChange(Struct, frozen=True):
    """How much an adjuster would have to have moved to explain the change."""

    adjuster: AdjusterId
    solver: SolverName
    travel: Annotated[
        float | None,
        Meta(
            description="Travel in `units`, positive = up: with those of the others, the least effort that explains "
            "the change. Null where `known` is `unseen`."
        ),
    ]
    u: MaybeUncertainty
    significant: Significant
    smallest_detectable: MaybeDetectable
    known: Annotated[
        Known,
        Meta(
            description="`alone`: the surveys fix the travel. `together`: no survey could, because other adjusters or "
            "a free zero do the same, and it is a part of the least effort. `unseen`: other stations "
            "would be needed."
        ),
    ]
    if_alone: Annotated[
        float | None,
        Meta(
            description="Travel in `units`, positive = up, if nothing else had moved; null where that cannot be told."
        ),
    ]
    if_alone_u: Annotated[
        float | None, Meta(description="Standard uncertainty (k = 1) of `if_alone`, in `units`; null where that is.")
    ]
    explains: Annotated[bool, Meta(description="True where this adjuster on its own explains the whole change.")]


class StationChange(Struct, frozen=True, gc=False):
    """Gap at a station of both surveys, before and after, each from its own zero."""

    x: X
    y: Y
    before: Annotated[float, Meta(description="Gap in the first survey, in `units`, positive = bed high.")]
    after: Annotated[float, Meta(description="Gap in the second survey, in `units`, positive = bed high.")]
    change: Annotated[
        float,
        Meta(
            description="After less before, in `units`; less the mean of this over the stations where the zero is free."
        ),
    ]
    u: StandardUncertainty
    significant: Significant
    smallest_detectable: SmallestDetectable


class TotalChange(Struct, frozen=True):
    """Total indicator reading of each survey over its own stations, and its change."""

    before: Annotated[float, Meta(description="Total of the first survey, in `units`.")]
    after: Annotated[float, Meta(description="Total of the second survey, in `units`.")]
    change: Annotated[float, Meta(description="After less before, in `units`.")]
    u: Annotated[
        float, Meta(description="Standard uncertainty (k = 1) of the change, in `units`: that of the readings alone.")
    ]
    significant: Significant
    smallest_detectable: MaybeDetectable
    same_stations: Annotated[
        bool,
        Meta(
            description="False where the surveys are not over the same stations: how much of the change lies in where "
            "was read cannot be told, so it is not tested."
        ),
    ]


class Finding(Struct, frozen=True):
    """The answer in a sentence."""

    moved: Annotated[bool, Meta(description="True where a term or the remainder changed by more than chance makes it.")]
    says: Annotated[str, Meta(description="What moved and what would explain it, or what could have moved unseen.")]
    risk: Annotated[
        float,
        Meta(
            description="Probability, at most, of calling a machine moved that did not move, over all tests together."
        ),
    ]


class Comparison(Finding, frozen=True):
    """What moved between two surveys of one machine."""

    machine: MachineId
    units: Units
    total: Annotated[TotalChange, Meta(description="Change of the total indicator reading.")]
    terms: Annotated[list[TermChange], Meta(description="Change of each term of the form.")]
    remainder: Annotated[
        Remainder | None,
        Meta(description="What the terms leave; null where too few stations are in both surveys to test it."),
    ]
    adjusters: Annotated[
        list[AdjusterChange],
        Meta(description="What each adjuster would have to have done; empty where none are described."),
    ]
    beyond_adjusters: Annotated[
        bool,
        Meta(
            description="True where the adjusters cannot explain all of the change: plate, frame or guides changed "
            "their form."
        ),
    ]
    stations: Annotated[
        list[StationChange],
        Meta(description="Change at every station that both surveys read; empty where too few are."),
    ]
    heat: Annotated[
        Heat | None,
        Meta(description="What the change of temperature can do; null where a survey has no `bed_temperature`."),
    ]
    undetermined: Annotated[list[str], Meta(description="What these surveys cannot tell, and what would tell it.")]
    assumptions: Annotated[list[str], Meta(description="What the numbers rest on.")]
    cautions: Cautions
    solver_versions: SolverVersions
