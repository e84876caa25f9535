"""What many fields of requests and answers mean, written once: the descriptions go into the JSON Schemas as they are.

Lengths are in the ``units`` of the machine's description; travel is positive up, and the gap positive where the bed is
high. A field that means more than its kind describes itself in its own Struct.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

UNPRINTED = r"\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
"""Inside the brackets of a regular expression: control characters, those that turn the direction of writing (Unicode
Standard Annex 9) and those that break lines. With them a name can rewrite what stands around it on a screen."""
PRINTED = rf"^[^{UNPRINTED}]*$(?!\n)"
"""The pattern of a text without them; `$` alone would let a newline at the end pass."""

LEAST_STATIONS = 3
"""Fewest stations that show how a bed lies. Schemas state it; fewer are refused by a check of our own, not the decoder,
so that the refusal says why."""

FEWEST = {"minItems": LEAST_STATIONS}
"""Part of the schema of an array of readings or stations."""

Coordinate = Annotated[float, Meta(ge=-1e5, le=1e5, description="A position in the machine frame, in `units`.")]
Size = Annotated[float, Meta(ge=1e-6, le=1e5, description="A positive length, in `units`.")]
Small = Annotated[
    float, Meta(ge=1e-6, le=1e3, description="A positive length of the size of a turn or a sheet, in `units`.")
]
Travel = Annotated[float, Meta(ge=-1e3, le=1e3, description="Signed distance, positive = up, in `units`.")]
Name = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=64,
        pattern=PRINTED,
        description="A name without control characters or marks of writing direction.",
    ),
]
Angle = Annotated[float, Meta(ge=-360, le=360, description="Degrees, anticlockwise from x seen from above.")]
StepSize = Annotated[
    Small | None,
    Meta(description="Travels are whole multiples of this, in `units`; absent or null, any travel can be set."),
]
SettingError = Annotated[
    Annotated[float, Meta(ge=1e-6, le=1e3)] | None,
    Meta(
        description="How far beside its mark this adjuster may be left, ± travel, in `units`; default a hundredth of a "
        "turn or half a division of the dial watched meanwhile, whichever is finer; for shims 0.005 mm."
    ),
]
Effort = Annotated[
    Annotated[float, Meta(gt=0, le=1e6)] | None,
    Meta(
        description="Effort of moving this adjuster; absent or null, 1 for a support, 3 for a slip seat, 5 for shims."
    ),
]
Bounds = Annotated[
    tuple[
        Annotated[float, Meta(ge=-1e3, le=0, description="Lowest travel, zero or negative.")],
        Annotated[float, Meta(ge=0, le=1e3, description="Highest travel, zero or positive.")],
    ]
    | None,
    Meta(
        description="[down, up]: the lowest and the highest travel from where the adjuster stands now, in `units`; "
        "absent or null, unbounded."
    ),
]

TakenAt = Annotated[
    Annotated[str, Meta(max_length=40)] | None,
    Meta(description="When it was taken: RFC 3339 date and time with its offset; absent or null, not known."),
]
BedTemperature = Annotated[
    Annotated[float, Meta(ge=-100, le=600)] | None,
    Meta(description="Temperature of the bed while it was read, in °C; absent or null, not known."),
]

SurveyTakenAt = Annotated[
    str | None, Meta(description="`taken_at` of the survey, as it was sent; null where it was not.")
]
MachineId = Annotated[str, Meta(description="`id` of the machine, as it was sent.")]
Units = Annotated[
    Literal["mm", "inch"], Meta(description="Unit of every length here: that of the machine's description.")
]
X = Annotated[float, Meta(description="Position along x, to the right, in `units`.")]
Y = Annotated[float, Meta(description="Position along y, to the rear, in `units`.")]
StandardUncertainty = Annotated[float, Meta(description="Standard uncertainty u (k = 1) of it, in `units`.")]
MaybeUncertainty = Annotated[
    float | None, Meta(description="Standard uncertainty u (k = 1) of it, in `units`; null where it is not known.")
]
CoverageFactor = Annotated[
    float, Meta(description="Coverage factor k: 1.645, for a probability of 95 % on one side of a normal distribution.")
]
AdjusterId = Annotated[str, Meta(description="The adjuster: `id` of a support or of a rail seat.")]
SolverName = Annotated[str, Meta(description="Name of the solver that moves the adjuster.")]
Cautions = Annotated[
    list[str], Meta(description="What can hurt a person, the machine or the indicator: read it before any work.")
]
SolverVersions = Annotated[
    dict[str, str], Meta(description="Version of each solver that took part, under the solver's name.")
]
Significant = Annotated[
    bool, Meta(description="True where it is more than chance makes it: beyond 3.29 u, a risk of 0.1 % for one test.")
]
SmallestDetectable = Annotated[
    float, Meta(description="Smallest change that would have been found significant four times in five, in `units`.")
]
MaybeDetectable = Annotated[
    float | None,
    Meta(
        description="Smallest change that would have been found significant four times in five, in `units`; null where "
        "the change itself is not known."
    ),
]
SlopeUncertainty = Annotated[
    float | None,
    Meta(description="Standard uncertainty u (k = 1) of it, in µm per 100 mm; null where it is not known."),
]
