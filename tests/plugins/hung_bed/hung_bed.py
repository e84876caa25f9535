"""A bed on two lead screws whose third corner hangs on an eccentric bush."""

from typing import Annotated, ClassVar

import numpy as np
from msgspec import Meta, Struct

from tramwright_solvers.contract import Adjuster, Floats, Machine, Mechanism, Move, Refused, Scale, Site


class Bush(Struct, frozen=True, forbid_unknown_fields=True):
    """The eccentric bush."""

    support: Annotated[str, Meta(description="The support that it is, by `id`; the two others have screws.")]
    throw: Annotated[
        float, Meta(ge=1e-3, le=100, description="Distance of the pin from the bush's middle, in `units`.")
    ]
    stands: Annotated[
        float,
        Meta(ge=-80, le=80, description="Where the pin stands, in degrees above the horizontal through the middle."),
    ] = 0.0
    raised_by: Annotated[str, Meta(description="Which way it is turned to go up, seen from the front.")] = "clockwise"
    play: Annotated[float, Meta(ge=0, le=30, description="Lost motion on reversing, in degrees.")] = 2.0


class HungBed(Mechanism, frozen=True, tag="hung-bed"):
    """A rigid bed on two screws and a bush, which lifts the less the further it stands from the horizontal.

    The travel of the bush is its angle times what it lifts at first, so it is no height; `gap_change` is exact.
    """

    most_degrees: Annotated[float, Meta(gt=0, le=170, description="The most that the bush is turned, in degrees.")] = (
        170.0
    )

    contract: ClassVar[int] = 2
    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = "three `supports`, and under `extras.hung-bed` the bush that one of them is"
    extras: ClassVar[type[Struct] | None] = Bush
    lengths: ClassVar[tuple[str, ...]] = ("throw",)
    linear: ClassVar[bool] = False

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """A machine that describes the bush."""
        return cls.name() in machine.extras

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """Two screws and the bush, which has degrees of its own and is set before them."""
        bush, ids = self.described(machine), [support.id for support in machine.supports]
        if len(ids) != 3 or bush.support not in ids:
            raise Refused.at("/machine/extras/hung-bed/support", "Name one of three `supports` here.")
        if self.most_degrees < bush.play:
            raise Refused.at("/options/most_degrees", "The bush cannot be turned by less than its play.")
        degree = bush.throw * np.cos(np.radians(bush.stands)) * np.radians(1.0)
        lowest = max(-self.most_degrees, -85.0 - bush.stands) * degree
        highest = min(self.most_degrees, 85.0 - bush.stands) * degree
        down = "anticlockwise" if bush.raised_by == "clockwise" else "clockwise"
        return tuple(
            Adjuster(
                name,
                "support",
                2.0,
                f"/machine/supports/{i}",
                lower=lowest,
                upper=highest,
                noun="bush",
                scale=Scale("degrees", degree, bush.raised_by, down, seen_from="the front"),
                slackens=True,
                work=f"Hold the bed, slacken the clamp screw of bush {name}, {{turn}}, and tighten it",
                approach="up",
                play=bush.play * degree,
                setting=0.25 * degree,
            )
            if name == bush.support
            else Adjuster(name, "support", 1.0, f"/machine/supports/{i}", after=(bush.support,))
            for i, name in enumerate(ids)
        )

    def influence(self, site: Site) -> Floats:
        """The plane through the three supports; the bush lifts as far as it travels at first."""
        corners = np.array([(1.0, support.x, support.y) for support in site.machine.supports])
        return np.column_stack([np.ones(len(site.points)), site.points]) @ np.linalg.inv(corners)

    def gap_change(self, move: Move) -> Floats:
        """The same plane, with the bush as high as its angle makes it."""
        bush, heights = self.described(move.machine), move.travels.copy()
        at = [support.id for support in move.machine.supports].index(bush.support)
        begin = np.radians(bush.stands)
        angle = heights[at] / (bush.throw * np.cos(begin))
        heights[at] = bush.throw * (np.sin(begin + angle) - np.sin(begin))
        return self.influence(move) @ heights

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """The bed hangs."""
        return (
            "The bed hangs on its bush: hold it up before the clamp screw is slackened, and keep out from under it.",
        )
