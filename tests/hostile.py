"""Plug-ins that break the contract, each in one way: beds on two screws, which no built-in solver moves."""

from __future__ import annotations

import sys
from typing import ClassVar

import numpy as np
from msgspec.structs import replace

from tramwright_solvers.contract import Adjuster, Conditions, Effect, Floats, Machine, Mechanism, Move, Part, Site


class Sound(Mechanism, frozen=True, tag="sound"):
    """Two screws that each tilt the bed along y."""

    contract: ClassVar[int] = 2
    needs = "two `supports`"

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        return len(machine.supports) == 2

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(Adjuster(s.id, "support", 1.0, f"/machine/supports/{i}") for i, s in enumerate(machine.supports))

    def influence(self, site: Site) -> Floats:
        share = site.points[:, 1] / site.machine.bed.y[1]
        return np.column_stack([1.0 - share, share])


class NotANumber(Sound, frozen=True, tag="nan"):
    def influence(self, site: Site) -> Floats:
        return super().influence(site) * np.nan


class WrongShape(Sound, frozen=True, tag="shape"):
    def influence(self, site: Site) -> Floats:
        return super().influence(site)[:, :1]


class Words(Sound, frozen=True, tag="words"):
    def influence(self, site: Site) -> Floats:
        return [["a lot"]]  # type: ignore[return-value]  # the fault it is there for


class Raises(Sound, frozen=True, tag="raises"):
    def influence(self, site: Site) -> Floats:
        raise IndexError("no third lever")


class Leaves(Sound, frozen=True, tag="leaves"):
    def influence(self, site: Site) -> Floats:
        sys.exit("enough")


class Writes(Sound, frozen=True, tag="writes"):
    def influence(self, site: Site) -> Floats:
        site.points[:] = 0.0
        return super().influence(site)


class OneName(Sound, frozen=True, tag="one-name"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, id="same") for one in super().adjusters(machine))


class OtherKind(Sound, frozen=True, tag="kind"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, kind="wedge") for one in super().adjusters(machine))


class LostPointer(Sound, frozen=True, tag="pointer"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, pointer="/machine/supports/17") for one in super().adjusters(machine))


class NoEffort(Sound, frozen=True, tag="effort"):
    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        return tuple(replace(one, effort=float("nan")) for one in super().adjusters(machine))


class NarrowConditions(Sound, frozen=True, tag="narrow"):
    def conditions(self, machine: Machine) -> Conditions:
        return Conditions(np.ones((1, 3)), np.zeros(1), np.zeros(1), ("They move together.",))


class NoNumberInConditions(Sound, frozen=True, tag="nan-end"):
    def conditions(self, machine: Machine) -> Conditions:
        return Conditions(np.ones((1, 2)), np.array([np.nan]), np.zeros(1), ("They move together.",))


class EndsCross(Sound, frozen=True, tag="ends-cross"):
    def conditions(self, machine: Machine) -> Conditions:
        return Conditions(np.array([[1.0, -1.0]]), np.array([0.5]), np.array([0.4]), ("They differ.",))


class HalfWay(Sound, frozen=True, tag="half-way"):
    def parts(self, move: Move) -> tuple[Part, ...]:
        return tuple(Part(at, go, {at: go / 2}) for at, go in enumerate(move.travels.tolist()) if go)


class OtherColumn(Sound, frozen=True, tag="column"):
    def parts(self, move: Move) -> tuple[Part, ...]:
        return (Part(7, 0.1, {}),)


class EndlessForce(Sound, frozen=True, tag="endless"):
    def effects(self, move: Move) -> tuple[Effect, ...]:
        return (Effect("force", np.inf, "N", "The bed carries an endless force."),)


class NoSentences(Sound, frozen=True, tag="no-sentences"):
    def cautions(self, machine: Machine) -> tuple[str, ...]:
        return (b"Careful.",)  # type: ignore[return-value]  # the fault it is there for


BROKEN: dict[type[Mechanism], tuple[str, str]] = {
    NotANumber: ("influence", "not finite"),
    WrongShape: ("influence", "shape (37, 1), not (37, 2)"),  # 12 stations and a grid of 25 over the bed
    Words: ("influence", "not an array of numbers"),
    Raises: ("influence", "IndexError: no third lever"),
    Leaves: ("influence", "SystemExit: enough"),
    Writes: ("influence", "read-only"),
    OneName: ("adjusters", "two adjusters are called `same`"),
    OtherKind: ("adjusters", "'wedge'"),
    LostPointer: ("adjusters", "leads nowhere"),
    NoEffort: ("adjusters", "effort of `left` must be positive"),
    NarrowConditions: ("conditions", "shape (1, 3), not (1, 2)"),
    NoNumberInConditions: ("conditions", "not finite"),
    EndsCross: ("conditions", "lower end above its upper end"),
    HalfWay: ("parts", "do not add up"),
    OtherColumn: ("parts", "does not exist"),
    EndlessForce: ("effects", "not finite"),
    NoSentences: ("cautions", "Expected `str`"),
}
"""The method in which each breaks the contract, and what is said of it."""


class WantsAll(Sound, frozen=True, tag="wants-all"):
    @classmethod
    def suits(cls, machine: Machine) -> bool:
        return True


class CannotSay(Sound, frozen=True, tag="cannot-say"):
    @classmethod
    def suits(cls, machine: Machine) -> bool:
        raise KeyError("bed")


class Quits(Sound, frozen=True, tag="quits"):
    @classmethod
    def suits(cls, machine: Machine) -> bool:
        sys.exit()


class Sly(Sound, frozen=True, tag="sly"):
    """Wants what built-in solvers move, on a machine that no probe is like."""

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        return machine.id == "sly"


UNUSABLE: dict[type[Mechanism], str] = {WantsAll: "says yes", CannotSay: "KeyError", Quits: "SystemExit"}
"""Why each is not used."""
