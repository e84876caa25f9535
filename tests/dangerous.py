"""Plug-ins that do harm: beds on two screws that hang, end their process, or take all there is; and where to find them.

Each does so only on a bed of one thickness, so that it is seen to answer again afterwards.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np

from hostile import Sound
from tramwright_solvers.contract import Floats, Machine, Mechanism, Site

HARM = 13.0
"""Thickness of the beds on which they do harm, in mm."""


class Loops(Sound, frozen=True, tag="loops"):
    def influence(self, site: Site) -> Floats:
        while site.machine.bed.thickness == HARM:
            pass
        return super().influence(site)


class HoldsInterpreter(Sound, frozen=True, tag="holds-interpreter"):
    """A loop in compiled code, during which no other thread of the process runs."""

    def influence(self, site: Site) -> Floats:
        if site.machine.bed.thickness == HARM:
            sum(range(10**15))
        return super().influence(site)


class Slow(Sound, frozen=True, tag="slow"):
    """Five seconds each time, which is longer than it says itself."""

    seconds = 2.0

    def influence(self, site: Site) -> Floats:
        if site.machine.bed.thickness == HARM:
            time.sleep(5.0)
        return super().influence(site)


class Exits(Sound, frozen=True, tag="exits"):
    def influence(self, site: Site) -> Floats:
        if site.machine.bed.thickness == HARM:
            os._exit(7)
        return super().influence(site)


class Crashes(Sound, frozen=True, tag="crashes"):
    def influence(self, site: Site) -> Floats:
        if site.machine.bed.thickness == HARM:
            os.kill(os.getpid(), signal.SIGSEGV)
        return super().influence(site)


class Hungry(Sound, frozen=True, tag="hungry"):
    def influence(self, site: Site) -> Floats:
        kept = []
        while site.machine.bed.thickness == HARM:
            kept.append(np.ones(2**28))
        return super().influence(site)


class Huge(Sound, frozen=True, tag="huge"):
    """Numbers that are finite and whose squares are not."""

    def influence(self, site: Site) -> Floats:
        return super().influence(site) * (1e300 if site.machine.bed.thickness == HARM else 1.0)


class OnRead(Sound, frozen=True, tag="on-read"):
    """Hangs where its options are read, before any of its methods is called."""

    lift: bool = False

    def __post_init__(self) -> None:
        while self.lift:
            pass


class SuitsSlowly(Sound, frozen=True, tag="suits-slowly"):
    @classmethod
    def suits(cls, machine: Machine) -> bool:
        while machine.id == "puzzle":
            pass
        return False


class SuitsNever(Sound, frozen=True, tag="suits-never"):
    """Does not even answer what it is asked at start-up."""

    @classmethod
    def suits(cls, machine: Machine) -> bool:
        while True:
            pass


IN_USE: dict[type[Mechanism], tuple[int, str]] = {
    Loops: (504, "`influence`"),
    HoldsInterpreter: (504, "`influence`"),
    Slow: (504, "`influence`"),
    Exits: (502, "exit status 7"),
    Crashes: (502, "signal 11"),
    Hungry: (502, "MemoryError"),
    Huge: (502, "cannot be computed with"),
}
"""How each is answered on a machine that it harms, and what is said of it."""
AT_START = {
    "loops-at-import": "longer than",
    "exits-at-import": "exit status 3",
    "suits-never": "longer than",
}
"""Why each of the others is not used."""


def announce(folder: Path) -> None:
    """Announce them all, as an installed distribution does."""
    kinds = (*IN_USE, OnRead, SuitsSlowly, SuitsNever)
    places = {kind.name(): f"dangerous:{kind.__name__}" for kind in kinds}
    at_import = {"loops-at-import": "loops_at_import:Bed", "exits-at-import": "exits_at_import:Bed"}
    install(folder, "dangerous-beds 0.3", places | at_import)
    (folder / "loops_at_import.py").write_text("while True:\n    pass\n")
    (folder / "exits_at_import.py").write_text("import os\nos._exit(3)\n")


def install(folder: Path, distribution: str, places: dict[str, str]) -> None:
    """Write what a distribution of this name and version leaves in a folder on the path."""
    name, version = distribution.split()
    info = folder / f"{name.replace('-', '_')}-{version}.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n")
    lines = "\n".join(f"{name} = {place}" for name, place in places.items())
    (info / "entry_points.txt").write_text(f"[tramwright.solvers]\n{lines}\n")


def asking(name: str, thickness: float = 12.0) -> dict[str, object]:
    """Ask a solver to tilt a bed on two screws; invented."""
    supports = [{"id": "left", "x": 0, "y": 0}, {"id": "right", "x": 0, "y": 400}]
    readings = [{"x": x, "y": y, "value": -0.001 * y} for x in (0, 200, 400) for y in (0, 100, 300, 400)]
    bed = {"x": [0, 400], "y": [0, 400], "thickness": thickness}
    described = {"id": "bed", "bed": bed, "supports": supports}
    return {"machine": described, "survey": {"readings": readings}, "solve": {"with": [{"solver": name}]}}
