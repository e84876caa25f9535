"""A bed of tiles that stand apart, each on three screws of its own."""

from typing import Annotated, ClassVar

import numpy as np
from msgspec import Meta, Struct
from numpy.typing import NDArray

from tramwright_solvers.contract import Adjuster, Floats, Machine, Mechanism, Refused, Site

Ends = Annotated[tuple[float, float], Meta(description="Both ends, lowest first, in `units`.")]


class Tile(Struct, frozen=True, forbid_unknown_fields=True):
    """One tile."""

    x: Ends
    y: Ends
    supports: Annotated[tuple[str, str, str], Meta(description="The three `supports` that it stands on, by `id`.")]


class Tiles(Struct, frozen=True, forbid_unknown_fields=True):
    """What the bed is made of."""

    tiles: Annotated[tuple[Tile, ...], Meta(min_length=1, description="The tiles, which together are the bed.")]


class TiledBed(Mechanism, frozen=True, tag="tiled-bed"):
    """Tiles that move one by one: a screw moves its own tile and no other, and nothing is said of one from another."""

    contract: ClassVar[int] = 2
    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = "`extras.tiled-bed`: the tiles, each with the three `supports` that it stands on"
    extras: ClassVar[type[Struct] | None] = Tiles
    places: ClassVar = {"x": "x", "y": "y"}

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """A machine that describes tiles."""
        return cls.name() in machine.extras

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """The screws, in the order of the machine's supports; what is said of each reaches the adjustment by itself."""
        named = [name for tile in self.described(machine).tiles for name in tile.supports]
        known = [support.id for support in machine.supports]
        if sorted(named) != sorted(known):
            raise Refused.at("/machine/extras/tiled-bed/tiles", "Each support carries one tile, and each tile three.")
        return tuple(Adjuster(name, "support", 1.0, f"/machine/supports/{i}") for i, name in enumerate(known))

    def influence(self, site: Site) -> Floats:
        """On its own tile a screw tilts it about the line through the other two; elsewhere it does nothing."""
        places = {support.id: (i, support.x, support.y) for i, support in enumerate(site.machine.supports)}
        patch, effect = self.patches(site), np.zeros((len(site.points), len(places)))
        for number, tile in enumerate(self.described(site.machine).tiles):
            columns, x, y = zip(*(places[name] for name in tile.supports), strict=True)
            here = patch == number
            points = np.column_stack([np.ones(here.sum()), site.points[here]])
            effect[np.ix_(here, columns)] = points @ np.linalg.inv(np.column_stack([np.ones(3), x, y]))
        return effect

    def patches(self, site: Site) -> NDArray[np.int64]:
        """The tile that each point lies on, or the nearest: seams are narrow and never read."""
        x, y = site.points.T
        ends = [(*tile.x, *tile.y) for tile in self.described(site.machine).tiles]
        beyond = [
            np.maximum(np.maximum(w - x, x - e), 0) + np.maximum(np.maximum(s - y, y - n), 0) for w, e, s, n in ends
        ]
        return np.argmin(beyond, axis=0)
