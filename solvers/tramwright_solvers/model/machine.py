"""The machine as its owner describes it: bed, supports, rails, indicator and the limit it is held to.

All lengths are in the machine's own ``units``; nothing is converted on the way through, because every formula here is
homogeneous in length. Only a constant with a physical size (a default division of the dial, say) passes through
:meth:`Machine.from_mm`. The frame is right-handed: x to the right, y to the rear, z up.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct, field

from .carried import check_extras
from .given import Given
from .quantities import (
    Angle,
    Bounds,
    Coordinate,
    Effort,
    Name,
    SettingError,
    Size,
    Small,
    StepSize,
)
from .units import MM_PER_INCH


class Screw(Given, frozen=True):
    """The thread that turns into travel."""

    lead: Annotated[Small, Meta(description="Travel for one turn, in `units`: pitch × number of starts.")]
    hand: Annotated[
        Literal["right", "left"] | None, Meta(description="Hand of the thread; absent or null, `right`.")
    ] = None
    turned_from: Annotated[
        Literal["above", "below"] | None,
        Meta(
            description="From which side one looks while turning; `direction` in the answer is as seen from there. "
            "Absent or null, `below`."
        ),
    ] = None
    turned_part: Annotated[
        Literal["stays", "travels"] | None,
        Meta(
            description="`stays`: the part that is turned keeps its height while its mate moves with the bed; "
            "`travels`: the part that is turned goes up and down with the bed. Absent or null, as `build` says."
        ),
    ] = None
    build: Annotated[
        Literal["lead-screw", "nut-on-frame", "nut-under-bed"] | None,
        Meta(
            description="The build, from which follows what `turned_part` says. `lead-screw`: the screw turns in "
            "bearings on the frame, and a nut fixed to the bed climbs it. `nut-on-frame`: a stud fixed to the bed "
            "hangs through the frame, and a nut turned against the frame draws it up or down. `nut-under-bed`: a stud "
            "stands fixed on the frame, and the bed rides on a nut, or thumb wheel, turned on it. Absent or null, "
            "`lead-screw`."
        ),
    ] = None

    @property
    def travels(self) -> bool:
        """Whether the part that is turned goes up and down with the bed."""
        return self.turned_part == "travels" or (self.turned_part is None and self.build == "nut-under-bed")

    @property
    def contradicts_itself(self) -> bool:
        """Whether ``turned_part`` and ``build`` say different things."""
        given = self.turned_part is not None and self.build is not None
        return given and (self.turned_part == "travels") != (self.build == "nut-under-bed")

    @property
    def seen_from(self) -> Literal["above", "below"]:
        """From which side one looks while turning."""
        return self.turned_from or "below"


class Mount(Given, frozen=True):
    """The kinematic contact on top of a support."""

    kind: Annotated[
        Literal["cone", "vee", "flat"], Meta(description="A cone holds three freedoms, a vee two, a flat one.")
    ]
    axis: Annotated[
        Angle | None,
        Meta(
            description="Direction of a vee's groove, in degrees anticlockwise from x, seen from above. A vee needs "
            "it; a cone and a flat have none."
        ),
    ] = None
    included_angle: Annotated[
        float, Meta(ge=10, le=170, description="Angle between the flanks of a vee, or across a cone, in degrees.")
    ] = 90.0


class Support(Given, frozen=True):
    """One point that carries the bed; moving it up raises the gap."""

    id: Annotated[Name, Meta(description="Name of the support; no other support or seat has it.")]
    x: Annotated[Coordinate, Meta(description="Position along x, to the right, in `units`.")]
    y: Annotated[Coordinate, Meta(description="Position along y, to the rear, in `units`.")]
    z: Annotated[
        Coordinate,
        Meta(description="Height of the contact above the bed surface, in `units`; a kinematic mount makes use of it."),
    ] = 0.0
    screw: Annotated[
        Screw | None, Meta(description="The screw that raises it; absent or null, travels are given without turns.")
    ] = None
    mount: Annotated[
        Mount | None, Meta(description="The kinematic contact on top of it; absent or null, none is described.")
    ] = None
    travel: Bounds = None
    step: StepSize = None
    setting: SettingError = None
    effort: Effort = None


class Sheet(Struct, frozen=True, forbid_unknown_fields=True):
    """Shims of one thickness, with how many there are."""

    thickness: Annotated[Small, Meta(description="Thickness of one sheet, in `units`.")]
    count: Annotated[int, Meta(ge=0, le=1000, description="How many are at hand, those fitted now not counted.")]


Stock = Annotated[
    list[Small | Sheet], Meta(max_length=64, description="Thicknesses at hand, each with or without a count.")
]


class Seat(Given, frozen=True):
    """One place where a rail is fixed; moving it up raises the swept surface and so lowers the gap."""

    id: Annotated[Name, Meta(description="Name of the seat; no other seat or support has it.")]
    rail: Annotated[Name, Meta(description="Name of the rail that it carries.")]
    x: Annotated[Coordinate, Meta(description="Position along x, to the right, in `units`.")]
    y: Annotated[Coordinate, Meta(description="Position along y, to the rear, in `units`.")]
    method: Annotated[
        Literal["slip", "shim"],
        Meta(
            description="How it is moved: `slip`, slackened and slid up or down; `shim`, sheets put under or taken out."
        ),
    ] = "slip"
    stock: Annotated[
        Stock | None,
        Meta(
            description="Shims at hand for this seat alone; absent or null, those of `rails.stock`, which seats "
            "share. Only with `shim`."
        ),
    ] = None
    fitted: Annotated[
        Annotated[list[Small], Meta(max_length=32)] | None,
        Meta(
            description="Shims under the seat now that may be taken out, each thickness in `units`; absent, none, and "
            "the seat only goes up. Only with `shim`."
        ),
    ] = None
    largest_stack: Annotated[
        Annotated[int, Meta(ge=1, le=32)] | None,
        Meta(description="Most sheets under the seat; absent or null, 6. Only with `shim`."),
    ] = None
    travel: Bounds = None
    step: StepSize = None
    setting: SettingError = None
    effort: Effort = None


class Rails(Given, frozen=True):
    """Two rails side by side, the beam that spans them on its blocks, and the tool it carries."""

    along: Annotated[Literal["x", "y"], Meta(description="Direction in which the rails run and the gantry travels.")]
    seats: Annotated[
        list[Seat], Meta(max_length=64, description="Where the two rails are fixed, at least two seats on each.")
    ]
    block_spacing: Annotated[
        float,
        Meta(
            ge=0,
            le=1e5,
            description="Distance between the middles of the two blocks on one rail, in `units`; 0 if not known.",
        ),
    ] = 0.0
    tool_offset: Annotated[
        Coordinate,
        Meta(description="How far the tool stands ahead of the middle of the blocks, along the rails, in `units`."),
    ] = 0.0
    stock: Annotated[Stock | None, Meta(description="Shims at hand for all seats together; absent or null, none.")] = (
        None
    )


class Bed(Given, frozen=True):
    """The plate: its extent in the machine frame and, where known, what it is made of."""

    x: Annotated[tuple[Coordinate, Coordinate], Meta(description="Left and right end, [low, high], in `units`.")]
    y: Annotated[tuple[Coordinate, Coordinate], Meta(description="Front and rear end, [low, high], in `units`.")]
    thickness: Annotated[
        Size | None, Meta(description="Thickness of the plate, in `units`; absent or null, not known.")
    ] = None
    material: Annotated[
        Name | None,
        Meta(
            description="What it is made of, as `aluminium` or `cast iron`; if known by name, gives its expansion and, "
            "for aluminium, steel and stainless steel, its Young's modulus and Poisson's ratio."
        ),
    ] = None
    youngs_modulus: Annotated[
        Annotated[float, Meta(ge=0.1, le=2000)] | None,
        Meta(description="Young's modulus, in GPa; absent or null, that of `material`. A flexible plate needs one."),
    ] = None
    poissons_ratio: Annotated[
        Annotated[float, Meta(ge=0, lt=0.5)] | None,
        Meta(description="Poisson's ratio; absent or null, that of `material`. A flexible plate needs one."),
    ] = None
    yield_strength: Annotated[
        Annotated[float, Meta(ge=0.1, le=10000)] | None,
        Meta(description="Yield strength, in MPa; absent or null, not known: nothing limits a flexible plate's twist."),
    ] = None


class Indicator(Given, frozen=True):
    """The dial indicator. What is left out takes the stated default.

    Defaults follow JIS B 7503:2011 for 0.01 mm graduation and a range up to 10 mm (indication error over the whole
    range 15 µm, repeatability 3 µm), scaled with the division; the division itself is common practice, no source.
    """

    division: Annotated[Small | None, Meta(description="Scale division, in `units`; absent or null, 0.01 mm.")] = None
    error_limit: Annotated[
        Small | None, Meta(description="Largest error of indication, ±, in `units`; absent or null, 1.5 divisions.")
    ] = None
    repeatability: Annotated[
        Small | None,
        Meta(description="Half-width of the repeats of one reading, in `units`; absent or null, 0.3 divisions."),
    ] = None
    bed_high_reads: Annotated[
        Literal["plus", "minus"] | None,
        Meta(description="What the dial shows where the bed is high: `plus` or `minus`; absent or null, `plus`."),
    ] = None


COMMON_INDICATOR = Indicator()


class Limit(Given, frozen=True):
    """What the machine is held to: the largest total indicator reading that is still good."""

    total: Annotated[Small, Meta(description="Largest total indicator reading that is still good, in `units`.")]


class Machine(Given, frozen=True):
    """A bed, what carries it, the rails above it and the indicator it is read with."""

    bed: Annotated[Bed, Meta(description="The plate that is read.")]
    id: Annotated[Name, Meta(description="Name of the machine; given back with every answer.")] = "machine"
    units: Annotated[
        Literal["mm", "inch"], Meta(description="Unit of every length in the request and in the answer.")
    ] = "mm"
    supports: Annotated[
        list[Support],
        Meta(max_length=16, description="Points that carry the bed; empty or left out, none are described."),
    ] = field(default_factory=list)
    rails: Annotated[
        Rails | None, Meta(description="The rails over which the gantry runs; absent or null, none are described.")
    ] = None
    indicator: Annotated[Indicator, Meta(description="The dial indicator; left out, a common one of 0.01 mm.")] = field(
        default_factory=lambda: COMMON_INDICATOR
    )
    limit: Annotated[
        Limit | None, Meta(description="What the machine is held to; absent or null, a total of 0.1 mm.")
    ] = None
    extras: Annotated[
        dict[Name, dict[str, Any]],
        Meta(
            max_length=16,
            description="What one solver alone makes use of, under the solver's name, as that solver describes it; "
            "left out, nothing.",
        ),
    ] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse what has no type to refuse it, and could be neither kept nor handed on.

        Raises:
            ValueError: a whole number in ``extras`` has more than 64 bits, or they are nested too deeply.
        """
        if self.extras:
            check_extras(self.extras)

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
        return -1.0 if self.indicator.bed_high_reads == "minus" else 1.0


def content_key(*parts: object) -> bytes:
    """Bytes that are equal exactly when the parts are: the key under which a prepared geometry is kept."""
    return msgspec.msgpack.encode(parts, enc_hook=float)  # a program may give numbers of numpy
