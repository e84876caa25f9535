"""The machine as its owner describes it: bed, supports, rails, indicator and the limit it is held to.

All lengths are in the machine's own ``units``; nothing is converted on the way through, because every formula here is
homogeneous in length. Only a constant with a physical size (a default division of the dial, say) passes through
:meth:`Machine.from_mm`. The frame is right-handed: x to the right, y to the rear, z up.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct, field

from .units import MM_PER_INCH

Coordinate = Annotated[float, Meta(ge=-1e5, le=1e5, description="A position in the machine frame, in `units`.")]
Size = Annotated[float, Meta(ge=1e-6, le=1e5, description="A positive length, in `units`.")]
Small = Annotated[
    float, Meta(ge=1e-6, le=1e3, description="A positive length of the size of a turn or a sheet, in `units`.")
]
Travel = Annotated[float, Meta(ge=-1e3, le=1e3, description="Signed distance, positive = up, in `units`.")]
Name = Annotated[
    str,
    Meta(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]*$", description="A name without control characters."),
]
Angle = Annotated[float, Meta(ge=-360, le=360, description="Degrees, anticlockwise from x seen from above.")]
Setting = Annotated[
    float,
    Meta(
        ge=1e-6,
        le=1e3,
        description="How far beside its mark this adjuster may be left, ± travel, in `units`; default a hundredth of a "
        "turn or half a division of the dial watched meanwhile, whichever is finer; for shims 0.005 mm.",
    ),
]
Effort = Annotated[float, Meta(gt=0, le=1e6, description="What touching this adjuster costs, against 1 for a screw.")]
Bounds = Annotated[
    tuple[
        Annotated[float, Meta(ge=-1e3, le=0, description="Lowest travel, zero or negative.")],
        Annotated[float, Meta(ge=0, le=1e3, description="Highest travel, zero or positive.")],
    ],
    Meta(description="[down, up]: the lowest and the highest travel from where the adjuster stands now."),
]


class Screw(Struct, frozen=True, forbid_unknown_fields=True):
    """The thread that turns into travel: lead is travel for one turn (pitch × starts)."""

    lead: Small
    hand: Literal["right", "left"] = "right"
    turned_from: Literal["above", "below"] = "below"
    turned_part: Annotated[
        Literal["stays", "travels"],
        Meta(
            description="`stays`: a lead screw turning in its bearings while the nut carries the bed; "
            "`travels`: a thumb screw or thumb nut that moves with the bed."
        ),
    ] = "stays"


class Mount(Struct, frozen=True, forbid_unknown_fields=True):
    """The kinematic contact on top of a support."""

    kind: Literal["cone", "vee", "flat"]
    axis: Annotated[Angle, Meta(description="Direction of a vee's groove; a cone and a flat have none.")] | None = None
    included_angle: Annotated[float, Meta(ge=10, le=170, description="Angle between the flanks, degrees.")] = 90.0


class Support(Struct, frozen=True, forbid_unknown_fields=True):
    """One point that carries the bed; moving it up raises the gap."""

    id: Name
    x: Coordinate
    y: Coordinate
    z: Annotated[Coordinate, Meta(description="Height of the contact relative to the bed surface.")] = 0.0
    screw: Screw | None = None
    mount: Mount | None = None
    travel: Bounds | None = None
    step: Small | None = None
    setting: Setting | None = None
    effort: Effort | None = None


class Sheet(Struct, frozen=True, forbid_unknown_fields=True):
    """Shims of one thickness, with how many there are."""

    thickness: Small
    count: Annotated[int, Meta(ge=0, le=1000)]


Stock = Annotated[
    list[Small | Sheet], Meta(max_length=64, description="Thicknesses at hand, each with or without a count.")
]


class Seat(Struct, frozen=True, forbid_unknown_fields=True):
    """One place where a rail is fixed; moving it up raises the swept surface and so lowers the gap."""

    id: Name
    rail: Name
    x: Coordinate
    y: Coordinate
    method: Literal["slip", "shim"] = "slip"
    stock: Stock | None = None
    fitted: (
        Annotated[list[Small], Meta(max_length=32, description="Shims under the seat now that may be taken out.")]
        | None
    ) = None
    largest_stack: Annotated[int, Meta(ge=1, le=32, description="Most sheets under one seat.")] | None = None
    travel: Bounds | None = None
    step: Small | None = None
    setting: Setting | None = None
    effort: Effort | None = None


class Rails(Struct, frozen=True, forbid_unknown_fields=True):
    """Two rails side by side, the beam that spans them on its blocks, and the tool it carries."""

    along: Literal["x", "y"]
    seats: Annotated[list[Seat], Meta(max_length=64)]
    block_spacing: Annotated[float, Meta(ge=0, le=1e5, description="Distance between the two blocks on one rail.")] = (
        0.0
    )
    tool_offset: Annotated[
        Coordinate, Meta(description="How far the tool stands ahead of the middle of the blocks, along the rails.")
    ] = 0.0
    stock: Stock | None = None


class Bed(Struct, frozen=True, forbid_unknown_fields=True):
    """The plate: its extent in the machine frame and, where known, what it is made of."""

    x: tuple[Coordinate, Coordinate]
    y: tuple[Coordinate, Coordinate]
    thickness: Size | None = None
    material: Name | None = None
    youngs_modulus: Annotated[float, Meta(ge=0.1, le=2000, description="GPa")] | None = None
    poissons_ratio: Annotated[float, Meta(ge=0, lt=0.5)] | None = None
    yield_strength: Annotated[float, Meta(ge=0.1, le=10000, description="MPa")] | None = None


class Indicator(Struct, frozen=True, forbid_unknown_fields=True):
    """The dial indicator. What is left out takes the stated default.

    Defaults follow JIS B 7503:2011 for 0.01 mm graduation and a range up to 10 mm (indication error over the whole
    range 15 µm, repeatability 3 µm), scaled with the division; the division itself is common practice, no source.
    """

    division: Small | None = None
    error_limit: Annotated[Small, Meta(description="Largest error of indication, ±; default 1.5 divisions.")] | None = (
        None
    )
    repeatability: (
        Annotated[Small, Meta(description="Half-width of repeats of one reading; default 0.3 divisions.")] | None
    ) = None
    bed_high_reads: Literal["plus", "minus"] = "plus"


class Limit(Struct, frozen=True, forbid_unknown_fields=True):
    """What the machine is held to: the largest total indicator reading that is still good."""

    total: Small


class Machine(Struct, frozen=True, forbid_unknown_fields=True):
    """A bed, what carries it, the rails above it and the indicator it is read with."""

    bed: Bed
    id: Name = "machine"
    units: Literal["mm", "inch"] = "mm"
    supports: Annotated[list[Support], Meta(max_length=16)] = field(default_factory=list)
    rails: Rails | None = None
    indicator: Indicator = field(default_factory=Indicator)
    limit: Limit | None = None

    def from_mm(self, length: float) -> float:
        """Convert a constant of physical size from mm to the machine's unit."""
        return length if self.units == "mm" else length / MM_PER_INCH

    @property
    def division(self) -> float:
        """Scale division of the dial in machine units; 0.01 mm unless stated (common practice, no source)."""
        return self.indicator.division or self.from_mm(0.01)

    @property
    def error_limit(self) -> float:
        """Largest error of indication, ±, in machine units."""
        given = self.indicator.error_limit
        return 1.5 * self.division if given is None else given

    @property
    def indicator_variance(self) -> float:
        """What repeats do not average out: error limit and half a division, rectangular (JCGM 100, 4.3.7)."""
        return self.error_limit**2 / 3.0 + self.division**2 / 12.0

    @property
    def repeat_variance(self) -> float:
        """Variance of one reading about its mean where no repeats tell, rectangular (JCGM 100, 4.3.7)."""
        given = self.indicator.repeatability
        return (0.3 * self.division if given is None else given) ** 2 / 3.0

    @property
    def total_limit(self) -> float:
        """Limit of the total indicator reading; 0.1 mm unless stated (common practice for a 400 mm bed, no source)."""
        return self.limit.total if self.limit else self.from_mm(0.1)

    @property
    def sense(self) -> float:
        """Factor from dial reading to gap: +1 where a high bed reads plus."""
        return 1.0 if self.indicator.bed_high_reads == "plus" else -1.0


def content_key(*parts: Struct) -> bytes:
    """Bytes that are equal exactly when the parts are: the key under which a prepared geometry is kept."""
    return msgspec.msgpack.encode(parts)
