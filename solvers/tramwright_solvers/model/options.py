"""The options of a request: solvers, criterion, aim, and limits of the search."""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal, TypeVar

from msgspec import Meta, Struct, field
from msgspec.structs import replace

from . import sentences
from .contract import Mechanism
from .errors import Fault, Refused
from .given import Checked, as_given

M = TypeVar("M", bound=Mechanism)


class CheckedSolve(Checked):
    """The class of the options, whose solvers are checked each as its own kind."""

    def checked(self, made: Any) -> Any:
        """Return the options with every value of the type that its field has."""
        named = made.with_
        given = named if isinstance(named, list | tuple) else [named]
        if wrong := [place for place, one in enumerate(given) if not isinstance(one, Mechanism)]:
            raise Refused([Fault(f"/with/{place}", sentences.NO_SOLVER) for place in wrong])
        rest = as_given(replace(made, with_=[]), self)
        return replace(rest, with_=[as_given(one, type(one)) for one in given])


class Solve(Struct, Generic[M], metaclass=CheckedSolve, frozen=True, forbid_unknown_fields=True):
    """How to solve, and how far to go."""

    with_: Annotated[
        list[M],
        Meta(
            max_length=16,
            description="Solvers whose adjusters are solved together, each with its options; empty or left out, all "
            "that the machine's description supports.",
        ),
    ] = field(name="with", default_factory=list)
    criterion: Annotated[
        Criterion,
        Meta(
            description="What is made small: `least-squares`, the root mean square of the gap; `minimum-zone`, "
            "highest minus lowest gap (as in ISO 12781-1)."
        ),
    ] = "least-squares"
    aim_for: Annotated[
        Annotated[float, Meta(ge=0, le=1e3)] | None,
        Meta(
            description="Total that is good enough with its U, in `units`; 0 asks for the best attainable. Absent or "
            "null, a bed proven within its limit is left alone, and any other aims at a third of the limit."
        ),
    ] = None
    most_moves: Annotated[
        Annotated[int, Meta(ge=1, le=64)] | None,
        Meta(description="Most adjusters that may be moved; absent or null, any number."),
    ] = None
    offset: Annotated[
        Literal["free", "keep"],
        Meta(
            description="`free`: the indicator or tool is zeroed anew after tramming, so a constant gap does not "
            "matter. `keep`: the zero stays, and the gap is to come to zero."
        ),
    ] = "free"
    time_limit: Annotated[
        float,
        Meta(
            gt=0,
            le=60,
            description="Seconds that the search over whole steps and shims may take on the machine of the benchmarks. "
            "They are counted in work done, not by the clock, so equal requests have equal answers however busy the "
            "machine is. The clock stops a search only at sixty times as long, and not before a minute.",
        ),
    ] = 5.0


Criterion = Literal["least-squares", "minimum-zone"]

USUAL: Solve[Any] = Solve()
"""All solvers that suit, least squares, the usual aim."""
