"""What the client asks for: which solvers, by which criterion, how far to go."""

from __future__ import annotations

from typing import Annotated, Generic, Literal, TypeVar

from msgspec import Meta, Struct, field

from .contract import Mechanism

M = TypeVar("M", bound=Mechanism)


class Solve(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """How to solve. ``with`` names the solvers whose adjusters are solved together; left out, all that fit."""

    with_: Annotated[list[M], Meta(max_length=16)] = field(name="with", default_factory=list)
    criterion: Criterion = "least-squares"
    aim_for: (
        Annotated[float, Meta(ge=0, le=1e3, description="Total that is good enough; default a third of the limit.")]
        | None
    ) = None
    most_moves: Annotated[int, Meta(ge=1, le=64)] | None = None
    offset: Literal["free", "keep"] = "free"
    time_limit: Annotated[float, Meta(gt=0, le=60, description="Seconds an integer programme may take.")] = 5.0


Criterion = Literal["least-squares", "minimum-zone"]
