"""A gantry beam that sags under its own weight and is tilted at one end by a lifter that clicks and only goes up."""

from typing import Annotated, ClassVar

from msgspec import Meta, Struct

from tramwright_solvers.contract import Adjuster, Floats, KnownShape, Machine, Mechanism, Scale, Site

Along = Annotated[float, Meta(ge=-1e5, le=1e5, description="Position along x, in `units`.")]


class Beam(Struct, frozen=True, forbid_unknown_fields=True):
    """The beam, which lies along x."""

    pivot: Along
    lifter: Along
    click: Annotated[float, Meta(ge=1e-6, le=10, description="How far one click lifts the beam there, in `units`.")]
    clicks_left: Annotated[int, Meta(ge=0, le=10_000, description="How many clicks the lifter can still go.")] = 200
    sag: Annotated[float, Meta(ge=0, le=100, description="How far it sags between pivot and lifter, in `units`.")] = 0.0


class TiltingBeam(Mechanism, frozen=True, tag="tilting-beam"):
    """Beam tilted about a pivot; its sag is known and no business of any adjuster."""

    contract: ClassVar[int] = 2
    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = "`extras.tilting-beam`: pivot, lifter and click, and the sag if it is known"
    extras: ClassVar[type[Struct] | None] = Beam
    lengths: ClassVar[tuple[str, ...]] = ("click", "sag")
    places: ClassVar = {"pivot": "x", "lifter": "x"}

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """A machine that describes the beam."""
        return cls.name() in machine.extras

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """The lifter, in whole clicks, which cannot be taken back."""
        beam = self.described(machine)
        return (
            Adjuster(
                "lifter",
                "gantry",
                2.0,
                "/machine/extras/tilting-beam",
                lower=0.0,
                upper=beam.clicks_left * beam.click,
                step=beam.click,
                noun="beam",
                scale=Scale("clicks", beam.click, "forwards", "backwards", digits=0),
                work="Take the load off the beam, {turn}",
            ),
        )

    def share(self, site: Site) -> Floats:
        """Return how far along from pivot to lifter each point lies, shape (n_points,)."""
        beam = self.described(site.machine)
        return (site.points[:, 0] - beam.pivot) / (beam.lifter - beam.pivot)

    def influence(self, site: Site) -> Floats:
        """The beam goes up in proportion to the distance from the pivot, and the gap down."""
        return -self.share(site)[:, None]

    def known_shape(self, site: Site) -> KnownShape | None:
        """A uniform beam on two ends, 16/5 (s - 2 s³ + s⁴) of its sag in the middle (Timoshenko, Strength of Materials,
        from memory); it carries the tool down, so the gap reads high there."""
        sag, s = self.described(site.machine).sag, self.share(site)
        return KnownShape("sag", sag * 16.0 / 5.0 * (s - 2.0 * s**3 + s**4)) if sag else None
