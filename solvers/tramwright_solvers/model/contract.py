"""What a mechanism is: the contract between the shared mathematics and every solver, built in or plugged in.

A mechanism describes mechanics only. It is one frozen Struct: its fields are its options as the client writes them
under ``solve.with``, its methods say which adjusters there are and how the gap changes with each. It never fits,
rounds, orders or prints. Every method takes **one** frozen argument that may grow with later contracts.

Signs: travel is positive up; the gap is the height of the bed above the surface the tool sweeps. So a support that
moves up has positive influence and a rail seat that moves up has negative influence.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from msgspec import Meta, Struct
from numpy.typing import NDArray

from .extras import Axis, read_extras
from .machine import Machine, Screw, Sheet
from .quantities import Name

CONTRACT = 2
"""Version of this contract. A plug-in declares the one it was written for and is refused if it differs."""

Floats = NDArray[np.float64]


class Scale(Struct, frozen=True):
    """What is counted while an adjuster without a screw is moved: degrees of a bush, clicks, marks of a knob.

    One ``unit`` is ``travel`` machine units; ``up`` and ``down`` say which way to turn or push it so that the adjuster
    goes that way, as ``clockwise``, and ``seen_from`` from where one looks. ``digits`` are those worth telling.
    """

    unit: str
    travel: float
    up: str
    down: str
    seen_from: str = ""
    digits: int = 1


class Adjuster(Struct, frozen=True):
    """One thing that a person can move; lengths in machine units.

    ``kind`` says what it moves: a ``support`` the bed, a ``seat`` a rail, ``gantry`` anything else that carries the
    tool. ``pointer`` leads to its description: ``/machine/…``, or :data:`~.errors.OPTIONS`. Where that is a support or
    a seat, what the user says of it is put in here by the shared code (:mod:`..mechanisms.adjusters`). ``lower`` and
    ``upper`` bound the travel; ``step`` is the smallest travel that can be set, in whole multiples; ``stock`` and
    ``fitted`` make it a stack of shims. Adjusters that name the same ``pool`` draw on one stock, whose counts they
    share. ``slackens`` says that bolts are let go to move it. ``setting`` is how far beside its mark it may be left, ±
    travel; None takes the default of its kind (:mod:`..uncertainty.setting_error`).

    How it is moved: ``noun`` is what a person calls it, ``scale`` what is counted meanwhile. ``work`` is the whole of
    what to do, where that is more than turning: a sentence with ``{turn}`` in the place of turn and amount. A mark is
    come to by moving it ``approach`` last; from the other side it goes beyond by more than its ``play``. ``after`` are
    the ids of adjusters that are moved before it.
    """

    id: str
    kind: Literal["support", "seat", "gantry"]
    effort: float
    pointer: str
    lower: float = -np.inf
    upper: float = np.inf
    step: float | None = None
    screw: Screw | None = None
    stock: tuple[Sheet, ...] | None = None
    fitted: tuple[float, ...] = ()
    largest_stack: int | None = None
    pool: str | None = None
    slackens: bool = False
    setting: float | None = None
    noun: str = ""
    scale: Scale | None = None
    work: str = ""
    approach: Literal["up", "down"] | None = None
    play: float = 0.0
    after: tuple[str, ...] = ()


class Site(Struct, frozen=True):
    """A machine and the points at which its gap is asked for: ``points`` has shape (n_points, 2)."""

    machine: Machine
    points: Floats


class Standing(Struct, frozen=True):
    """How far the work on a mechanism is: ``made`` (n_adjusters,) are the travels since the survey, as the gap shows
    them.

    Where some adjusters ``carry`` the bed, by column, the others are ``clear`` of it, by column and about how far; both
    are empty where nothing was backed off.
    """

    made: Floats
    carry: tuple[int, ...] = ()
    clear: Mapping[int, float] = {}


class Move(Site, frozen=True):
    """A site and the travels of all adjusters, shape (n_adjusters,), in the order of ``Mechanism.adjusters``.

    ``standing`` is how far the work already is where the travels are the rest of it.
    """

    travels: Floats
    standing: Standing | None = None


class Carried(Move, frozen=True, kw_only=True):
    """Steps carried out on the way to the travels: the column and the travel of each, None until it met the bed."""

    done: tuple[tuple[int, float | None], ...]


class Replay(Struct, frozen=True):
    """What steps already carried out do to the bed.

    ``counts`` has for each the travels by column that one unit of its own travel makes: empty where the bed stays, None
    where there is no such step. ``carry`` and ``clear`` are those of :class:`Standing`.
    """

    counts: tuple[Mapping[int, float] | None, ...]
    carry: tuple[int, ...] = ()
    clear: Mapping[int, float] = {}


class AtMost(Struct, frozen=True):
    """At most ``count`` of these ``adjusters``, by column, may be moved; one makes a choice between them."""

    count: int
    adjusters: tuple[int, ...]


class Conditions(Struct, frozen=True):
    """Linear conditions on the travels: ``lower <= matrix @ travels <= upper``; equal ends make an equation.

    ``matrix`` has shape (n_conditions, n_adjusters); ``because`` has one sentence for each row, for the person whose
    request it makes impossible. A condition on where adjusters stand, and not on how far they go, has ends less what
    they stand at now. It may exclude zero travel: then the machine cannot stay as it is, and something is moved even
    where the bed is good.
    """

    matrix: Floats
    lower: Floats
    upper: Floats
    because: tuple[str, ...]
    at_most: tuple[AtMost, ...] = ()


class KnownShape(Struct, frozen=True):
    """A part of the gap that is known and that no adjuster makes, such as the sag of a beam.

    ``gap`` has shape (n_points,), positive = bed high; ``name`` is that of its term in the breakdown. It is taken off
    the readings before anything is computed from them.
    """

    name: str
    gap: Floats


class Effect(Struct, frozen=True):
    """A side effect of a set of travels that is worth a line: a force, a stress, a sideways shift."""

    name: Annotated[str, Meta(description="What it is, as `side shift in x`.")]
    value: Annotated[float, Meta(description="Its size, in `unit`.")]
    unit: Annotated[str, Meta(description="Unit of the value; `1` for a ratio.")]
    says: Annotated[str, Meta(description="What it means for the machine, in a sentence.")]


class Part(Struct, frozen=True):
    """One movement of one adjuster, while all others stand, on the way to a set of travels.

    ``adjuster`` is its column and ``travel`` how far it goes; None where it goes, ``about`` so far, until it meets the
    bed. ``counts`` are the travels by column whose influence is the change of gap that this part makes: empty where the
    bed stays. The counts of all parts add up to the travels. ``eases`` are adjusters whose bolts are eased meanwhile,
    ``says`` what to know or do first, in sentences.
    """

    adjuster: int
    travel: float | None
    counts: Mapping[int, float]
    about: float = 0.0
    eases: tuple[int, ...] = ()
    says: str = ""


class Mechanism(Struct, frozen=True, forbid_unknown_fields=True, tag_field="solver"):
    """Base of every solver. Subclass it frozen, with ``tag="the-name"``; its fields are its options.

    Nothing that its methods return hangs on the ``id`` of the machine: those that differ in nothing else share it.
    """

    hold: Annotated[
        tuple[Name, ...],
        Meta(description="Adjusters that are not to be moved, by `id`; a height check takes these screws as true."),
    ] = ()

    contract: ClassVar[int] = CONTRACT
    version: ClassVar[str] = "1.0"
    needs: ClassVar[str] = ""
    """One sentence: what the machine must describe."""
    example: ClassVar[str | None] = None
    """File name of a working example payload, where one is shipped: beside the module of a plug-in."""
    seconds: ClassVar[float] = 10.0
    """How long the methods of a plug-in may take together for one request; the service may allow less."""
    linear: ClassVar[bool] = True
    """False where influence × travel is not good enough: then :meth:`gap_change` decides what is predicted."""
    extras: ClassVar[type[Struct] | None] = None
    """What ``machine.extras.<name>`` is read into: what the machine must describe that :class:`Machine` has no field
    for. Frozen, unknown fields forbidden."""
    lengths: ClassVar[tuple[str, ...]] = ()
    """Options, and fields of ``extras``, that are lengths in machine units."""
    places: ClassVar[Mapping[str, Axis]] = {}
    """Those that are positions in the machine frame, with their axis: ``{"hinge_y": "y"}``."""

    @classmethod
    @cache
    def name(cls) -> str:
        """Return the solver's name: the tag under which ``solve.with`` asks for it."""
        return str(cls.__struct_config__.tag)

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        """Say whether this solver should be picked when the request names none."""
        return False

    @classmethod
    def described(cls, machine: Machine) -> Any:
        """Return what ``machine.extras.<name>`` describes, as :attr:`extras`.

        Raises:
            Refused: it is missing or wrong; the faults point at it.
        """
        return read_extras(machine, cls.name(), cls.extras)

    @property
    def limited(self) -> bool:
        """Say whether its conditions hold inequalities: keeping within them takes longer, which is told beforehand."""
        return False

    def adjusters(self, machine: Machine) -> tuple[Adjuster, ...]:
        """Return the adjusters in a fixed order.

        Raises:
            Refused: the machine lacks something this mechanism needs; the fault points at it.
        """
        raise NotImplementedError

    def influence(self, site: Site) -> Floats:
        """Return d gap / d travel, shape (n_points, n_adjusters), dimensionless, at zero travel."""
        raise NotImplementedError

    def conditions(self, machine: Machine) -> Conditions | None:
        """Return linear conditions on the travels, or None where each may move on its own."""
        return None

    def gap_change(self, move: Move) -> Floats:
        """Return the change of gap, shape (n_points,), exactly where that differs from influence × travel.

        It is what predictions, steps and dial goals are made of where the mechanism is not :attr:`linear`.
        """
        change: Floats = self.influence(move) @ move.travels
        return change

    def known_shape(self, site: Site) -> KnownShape | None:
        """Return a known part of the gap at the points, or None where there is none."""
        return None

    def patches(self, site: Site) -> NDArray[np.int64] | None:
        """Return the number of the patch that each point lies on, shape (n_points,); None where the bed is one piece.

        Nothing is interpolated from one patch to another.
        """
        return None

    def parts(self, move: Move) -> tuple[Part, ...]:
        """Return how the travels are carried out, part after part: by default each adjuster goes all the way at once.

        What slackens is done before what does not; else the order stays.

        Raises:
            Refused: these travels must not be made; the fault points at the adjuster at which to look, and says why.
        """
        return tuple([Part(at, travel, {at: travel}) for at, travel in enumerate(move.travels.tolist()) if travel])

    def replay(self, carried: Carried) -> Replay:
        """Return what steps did that were carried out as :meth:`parts` tells them."""
        return Replay(tuple([None if travel is None else {column: 1.0} for column, travel in carried.done]))

    def may_refuse(self, machine: Machine) -> bool:
        """Say whether :meth:`parts` may refuse travels on this machine; asked once, before any survey is answered."""
        return type(self).parts is not Mechanism.parts

    def effects(self, move: Move) -> tuple[Effect, ...]:
        """Return side effects of the travels that a person should know of."""
        return ()

    def cautions(self, machine: Machine) -> tuple[str, ...]:
        """Return what can hurt a person or the machine while these adjusters are moved."""
        return ()
