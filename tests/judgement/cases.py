"""The collection: awkward surveys of invented machines, each made from its number alone.

Everything is invented. Amounts are thought of in divisions of the dial, which are 0.01 mm.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from .case import Case
from .machines import FEW, LAYOUTS, build, pick, stations
from .truth import Dial


class Maker:
    """Makes one case: a machine, its true size, honest readings; the kinds then disturb them."""

    def __init__(self, number: int, kind: str) -> None:
        self.number, self.kind, self.random = number, kind, np.random.default_rng([20_260_504, number])

    def make(
        self,
        total: tuple[float, float],
        *,
        layouts: tuple[str, ...] = LAYOUTS,
        repeats: int = 1,
        limit: float | None = 0.0,
        **machine: Any,
    ) -> None:
        """Build the machine and read it; its true total over the stations is within ``total``, in limits.

        ``limit`` 0 draws one; None leaves it out of the description.
        """
        if limit == 0.0:
            limit = pick(self.random, [0.08, 0.1, 0.15, 0.2, 0.3])
        self.built = build(self.random, limit=limit, **machine)
        self.division = self.built.machine.division
        self.zero = round(self.random.uniform(-0.8, 0.8), 2) * self.built.mm
        size = self.built.machine.bed.x[1]
        self.places = stations(pick(self.random, layouts), self.random, size)
        small = 1e-3 * self.built.mm
        wanted = self.random.uniform(*total) * (limit or 0.1) * self.built.mm
        raw = self.built.exact(small).total(self.places) if total[1] else 1.0
        self.scale = small * wanted / raw if total[1] else self.built.mm
        self.dial, self.exact = Dial(self.built.machine, self.random, self.zero), self.built.exact(self.scale)
        self.readings = [
            {"x": x, "y": y, "value": [self.dial.read(self.exact, (x, y)) for _ in range(repeats)]}
            for x, y in self.places
        ]
        if repeats == 1:
            for reading in self.readings:
                reading["value"] = reading["value"][0]

    def divisions(self, low: float, high: float) -> float:
        """Return an amount either way, in whole divisions."""
        return float(np.round(self.random.uniform(low, high)) * pick(self.random, [-1, 1])) * self.division

    def close(self, moved: Callable[[int], float]) -> None:
        """Read the first station again at the end, with a zero that has ``moved`` by so much at each reading."""
        again = [*self.places, self.places[0]]
        timed, pace = self.random.random() < 0.5, pick(self.random, [20.0, 45.0])
        self.readings = []
        for index, place in enumerate(again):
            reading = {"x": place[0], "y": place[1], "value": self.dial.read(self.exact, place, moved(index))}
            self.readings.append(reading | ({"time": index * pace} if timed else {}))

    def case(self, **known: Any) -> Case:
        return Case(self.number, self.kind, self.built, self.scale, self.readings, self.zero, **known)


def plain(maker: Maker) -> Case:
    maker.make((1.5, 4.0), layouts=("3 × 3", "5 × 5", "scattered"), form=0.02)
    return maker.case(repairable=maker.built.name != "rails on shims")


def good(maker: Maker) -> Case:
    maker.make((0.05, 0.7))
    return maker.case()


def good_coarse(maker: Maker) -> Case:
    maker.make((0.05, 0.7), setting=pick(maker.random, [0.02, 0.05, 0.1]))
    return maker.case()


def bumped(maker: Maker) -> Case:
    maker.make((0.1, 1.6))
    jump, after = maker.divisions(10, 50), int(maker.random.integers(2, len(maker.places) - 1))
    maker.close(lambda index: jump if index >= after else 0.0)
    return maker.case(disturbed=abs(jump))


def drift(maker: Maker) -> Case:
    maker.make((0.1, 2.0))
    whole = maker.random.uniform(0.5, 5) * maker.division * pick(maker.random, [-1, 1])
    maker.close(lambda index: whole * index / len(maker.places))
    return maker.case()


def closing_wrong(maker: Maker) -> Case:
    maker.make((0.1, 1.6))
    off = 100 * maker.division * pick(maker.random, [-1, 1])
    maker.close(lambda index: off if index == len(maker.places) else 0.0)
    return maker.case(disturbed=abs(off))


def repeats(maker: Maker) -> Case:
    count = int(maker.random.integers(2, 4))
    maker.make((0.1, 1.6), repeats=count)
    off = maker.divisions(10, 100)
    values = maker.readings[int(maker.random.integers(len(maker.readings)))]["value"]
    values[int(maker.random.integers(count))] += off
    return maker.case(disturbed=abs(off) / count, shown_without=True)


def slipped(maker: Maker, wrong: Callable[[float], float]) -> Case:
    """One reading written down wrong; the reading is one where that matters by ten divisions or more."""
    maker.make((0.2, 2.0), form=0.02)
    effects = [abs(wrong(one["value"]) - one["value"]) for one in maker.readings]
    fit = [at for at, effect in enumerate(effects) if 10 * maker.division <= effect <= 900 * maker.built.mm]
    at = pick(maker.random, fit) if fit else int(np.argmax(effects))
    maker.readings[at]["value"] = round(wrong(maker.readings[at]["value"]), 9)
    return maker.case(disturbed=effects[at])


def revolution(maker: Maker) -> Case:
    way = pick(maker.random, [-100, 100])
    return slipped(maker, lambda value: value + way * maker.division)


def sign(maker: Maker) -> Case:
    return slipped(maker, lambda value: -value)


def digits(maker: Maker) -> Case:
    """A decimal place, or tenths and hundredths changed over."""
    if maker.random.random() < 0.5:
        return slipped(maker, lambda value: 10 * value)

    def swapped(value: float) -> float:
        count = round(abs(value) / maker.division)
        whole, tens, ones = count // 100, count // 10 % 10, count % 10
        return float(np.sign(value) * (100 * whole + 10 * ones + tens) * maker.division)

    return slipped(maker, swapped)


def micrometres(maker: Maker) -> Case:
    return slipped(maker, lambda value: 1000 * value)


def few(maker: Maker) -> Case:
    maker.make((0.1, 2.5), layouts=FEW)
    return maker.case()


def hopeless(maker: Maker) -> Case:
    maker.make((2.0, 4.0), bowl=pick(maker.random, [-3, 3]))
    return maker.case()


def coarse(maker: Maker) -> Case:
    maker.make((1.2, 3.0), setting=pick(maker.random, [0.03, 0.05, 0.1, 0.2]))
    return maker.case()


def four_rigid(maker: Maker) -> Case:
    maker.make((1.3, 5.0), name="four screws, rigid", layouts=("3 × 3", "5 × 5", "scattered"), form=0.02)
    return maker.case(repairable=True)


def big_seat(maker: Maker) -> Case:
    def one_seat(names: list[str]) -> dict[str, float]:
        errors = {name: float(maker.random.uniform(-0.05, 0.05)) for name in names}
        seats = [name for name in names if "-" in name]
        return errors | {pick(maker.random, seats): 3.0 * pick(maker.random, [-1, 1])}

    name = pick(maker.random, ["rails that slip", "screws and rails"])
    maker.make((0.0, 0.0), name=name, seats=int(maker.random.integers(3, 5)), form=0.02, fault=one_seat)
    return maker.case()


def one_move(maker: Maker) -> Case:
    maker.make((0.3, 3.0))
    return maker.case(options={"most_moves": 1})


def aim_zero(maker: Maker) -> Case:
    maker.make((0.1, 3.0))
    return maker.case(options={"aim_for": 0.0})


def no_limit(maker: Maker) -> Case:
    maker.make((0.2, 3.0), limit=None)
    return maker.case()


def units_confused(maker: Maker) -> Case:
    """Every reading in another unit than the machine: µm where mm are meant, thousandths where inches are."""
    maker.make((0.2, 2.0), form=0.02)
    most = max(abs(one["value"]) for one in maker.readings)
    factor = min(1000.0, 900 / most)
    for reading in maker.readings:
        reading["value"] = round(reading["value"] * factor, 9)
    return maker.case(other_unit=True)


KINDS: dict[str, Callable[[Maker], Case]] = {
    "plainly out, honest": plain,
    "good": good,
    "good, coarse setting": good_coarse,
    "dial bumped": bumped,
    "honest drift": drift,
    "closing reading 1 mm off": closing_wrong,
    "repeats disagree": repeats,
    "slip: a revolution": revolution,
    "slip: sign": sign,
    "slip: digits": digits,
    "slip: µm for mm": micrometres,
    "few stations": few,
    "hopeless bowl": hopeless,
    "coarse setting": coarse,
    "four screws, rigid plate": four_rigid,
    "seat 3 mm off": big_seat,
    "most_moves 1": one_move,
    "aim_for 0": aim_zero,
    "no limit given": no_limit,
    "units confused": units_confused,
}


def nth(number: int) -> Case:
    """Return the case of this number; kinds take turns."""
    kind = list(KINDS)[number % len(KINDS)]
    return KINDS[kind](Maker(number, kind))
