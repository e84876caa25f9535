"""``tramwright machine``: describe a machine by answering one question at a time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from tramwright_solvers.model.errors import Fault

Document = dict[str, Any]

PLACES: Mapping[str, Sequence[tuple[str, float, float]]] = {
    "three": (("front-left", 0.1, 0.1), ("front-right", 0.9, 0.1), ("rear", 0.5, 0.9)),
    "four": (("front-left", 0.1, 0.1), ("front-right", 0.9, 0.1), ("rear-left", 0.1, 0.9), ("rear-right", 0.9, 0.9)),
    "kinematic": (("front-left", 0.1, 0.1), ("front-right", 0.9, 0.1), ("rear", 0.5, 0.9)),
    "none": (),
}
"""Kinds of supports, and where each stands as a share of the bed's sides, as a default."""
VEES = {"front-left": 210.0, "front-right": 330.0, "rear": 90.0}
"""Directions of three vees that point at the middle of three supports, in degrees, as a default."""
DIVISION, LIMIT = {"mm": 0.01, "inch": 0.0005}, {"mm": 0.1, "inch": 0.004}
"""What is common, as a default."""


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, writable=True, path_type=Path), default=Path("machine.json"))
def machine(file: Path) -> None:
    """Ask for a machine, one question at a time, and write it to FILE (machine.json unless given) as JSON.

    Enter takes the answer in brackets. What is wrong is said in the words of the API, and asked again.
    """
    import msgspec

    if file.exists():
        raise click.UsageError(f"There is a `{file}` here already; it is left as it is. Give another name.")
    if not file.parent.is_dir():
        raise click.UsageError(f"There is no folder `{file.parent}`; make it first.")
    interview = Interview()
    interview.settle("", lambda: interview.head(file.stem))
    while True:
        interview.settle("/supports", interview.supports)
        interview.settle("/rails", interview.rails)
        if not (wrong := taken_together(interview.told)):
            break
        tell(wrong)
    interview.settle("/indicator", interview.indicator)
    interview.settle("/limit", interview.limit)
    file.write_bytes(msgspec.json.format(msgspec.json.encode(interview.told), indent=2) + b"\n")
    click.echo(f"wrote {file}")


class Interview:
    """What was answered so far; a question that is asked again has its last answer as its default."""

    def __init__(self) -> None:
        self.told: Document = {}
        self._answers: dict[str, str] = {}

    def ask(self, question: str, default: object, offered: Sequence[str] = ()) -> Any:
        """Return an answer, as a number where it is one: whether it should be is for the API to say.

        What is ``offered`` decides which questions follow, so only that is taken.
        """
        from .spreadsheet import is_number, number

        shown = f"{default:g}" if isinstance(default, float) else str(default)
        kind = click.Choice(offered) if offered else str
        said = str(click.prompt(question, default=self._answers.get(question, shown), type=kind)).strip()
        self._answers[question] = said
        return number(said) if is_number(said) else said

    def settle(self, pointer: str, questions: Callable[[], Document]) -> None:
        """Ask some questions until there is no fault in what they describe."""
        while True:
            self.told |= questions()
            if not (wrong := [one for one in faults(self.told) if one.pointer.startswith(pointer)]):
                return
            tell(wrong)

    def head(self, name: str) -> Document:
        """Ask for name, unit and bed."""
        named = str(self.ask("Name of the machine", name))
        units = self.ask("Unit of all lengths (mm or inch)", "mm")
        ends = [
            self.ask(f"Bed: {end}", default)
            for end, default in (
                ("left end, x", 0.0),
                ("right end, x", 500.0),
                ("front end, y", 0.0),
                ("rear end, y", 500.0),
            )
        ]
        return {"id": named, "units": units, "bed": {"x": ends[:2], "y": ends[2:]}}

    def supports(self) -> Document:
        """Ask what carries the bed."""
        kind = self.ask("Supports that are adjusted", "three", tuple(PLACES))
        bed, screw, found = self.told["bed"], dict[str, Any](), list[Document]()
        if PLACES[kind]:
            lead = self.ask("Screws: travel for one turn, 0 for no screws", 0.7 if self.told["units"] == "mm" else 0.05)
            if lead != 0.0:
                screw = {
                    "lead": lead,
                    "hand": self.ask("Screws: hand of the thread (right or left)", "right"),
                    "turned_from": self.ask("Screws: seen from where they are turned (above or below)", "below"),
                    "build": self.ask("Screws: build (lead-screw, nut-on-frame or nut-under-bed)", "lead-screw"),
                }
        for name, across, along in PLACES[kind]:
            support: Document = {"id": str(self.ask(f"Support {name}: its name", name))}
            for axis, share in (("x", across), ("y", along)):
                low, high = bed[axis]
                support[axis] = self.ask(f"Support {name}: {axis}", low + share * (high - low))
            if kind == "kinematic":
                support |= self.mount(name)
            found.append(support | ({"screw": screw} if screw else {}))
        return {"supports": found}

    def mount(self, name: str) -> Document:
        """Ask for a kinematic contact."""
        height = self.ask(f"Support {name}: height of the contact above the bed, mostly negative", 0.0)
        kind = self.ask(f"Support {name}: contact (cone, vee or flat)", "vee")
        axis = (
            {"axis": self.ask(f"Support {name}: direction of the vee, degrees from x", VEES[name])}
            if kind == "vee"
            else {}
        )
        return {"z": height, "mount": {"kind": kind, **axis}}

    def rails(self) -> Document:
        """Ask for the rails, if their seats are adjusted."""
        along = self.ask("Rails whose seats are adjusted, along", "none", ("x", "y", "none"))
        if along == "none":
            return {"rails": None}
        method = self.ask("Rails: how seats are moved (slip or shim)", "slip")
        stock = (
            str(self.ask("Rails: thicknesses of the shims at hand", "0.05 0.1 0.2 0.5")).split()
            if method == "shim"
            else []
        )
        pair, across = (("front", "rear"), "y") if along == "x" else (("left", "right"), "x")
        seats = []
        for rail, side in zip(pair, (0, 1), strict=True):
            where = self.ask(f"Rail {rail}: {across}", self.told["bed"][across][side])
            ends = ("left", "right") if along == "x" else ("front", "rear")
            for end, at in zip(ends, self.told["bed"][along], strict=True):
                place = self.ask(f"Rail {rail}, {end} seat: {along}", at)
                seats.append({"id": f"seat-{rail}-{end}", "rail": rail, across: where, along: place, "method": method})
        from .spreadsheet import is_number, number

        sheets = [number(one) if is_number(one) else one for one in stock]
        return {"rails": {"along": along, "seats": seats} | ({"stock": sheets} if sheets else {})}

    def indicator(self) -> Document:
        """Ask for the indicator."""
        division = self.ask("Indicator: scale division", DIVISION[self.told["units"]])
        usual = 1.5 * division if isinstance(division, float) else 0.0
        return {
            "indicator": {
                "division": division,
                "error_limit": self.ask("Indicator: largest error, plus or minus", usual),
                "bed_high_reads": self.ask("Indicator: what it shows where the bed is high (plus or minus)", "plus"),
            }
        }

    def limit(self) -> Document:
        """Ask for the limit."""
        return {"limit": {"total": self.ask("Limit: largest good total", LIMIT[self.told["units"]])}}


def faults(told: Document) -> list[Fault]:
    """Return what is wrong with a machine as far as it is described."""
    import msgspec

    from tramwright_solvers.mechanisms.registry import installed
    from tramwright_solvers.model.errors import Fault
    from tramwright_solvers.model.machine import Machine
    from tramwright_solvers.reduction.validation import machine_faults

    from ..wire.decode import Decoder
    from ..wire.media_types import JSON
    from ..wire.problems import RequestError

    try:
        described = Decoder[Machine](Machine, installed()).decode(msgspec.json.encode(told), JSON.encode())
    except RequestError as error:
        return list(error.errors)
    return [Fault(one.pointer.removeprefix("/machine"), one.detail) for one in machine_faults(described)]


def taken_together(told: Document) -> list[Fault]:
    """Return what is wrong with supports and rails as what can be adjusted."""
    import msgspec

    from tramwright_solvers.correction.setup import set_up
    from tramwright_solvers.mechanisms.registry import installed
    from tramwright_solvers.model.errors import Refused
    from tramwright_solvers.model.machine import Machine

    described = msgspec.convert(told, Machine)
    try:
        set_up(described, (), installed().suited(described), offset_free=True)
    except Refused as refused:
        return list(refused.faults)
    return []


def tell(wrong: Sequence[Fault]) -> None:
    """Say what is wrong."""
    from ..wire.plain import plain

    for one in wrong:
        click.echo(plain(f"{one.pointer or '(the machine)'}: {one.detail}"), file=sys.stderr)
