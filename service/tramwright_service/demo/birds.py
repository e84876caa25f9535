"""The twelve machines of the demonstration, and what happens to each in its year. All invented."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct

YEAR = 364
"""Days from the first survey to today."""


class Bird(Struct, frozen=True):
    """A machine as it is stored, and its year. Days are counted back from today, lengths are in its units.

    It is read at ``stations`` in x and y ``every`` so many days, from ``since`` to ``until``. ``errors`` are heights of
    its adjusters at the beginning, ``a_year`` what they drift in one, ``bow`` the form of its plate. On a day
    ``tended`` the moves advised are made, of which ``does`` comes to pass, and it is read again.
    """

    id: str
    entry: Mapping[str, Any]
    stations: tuple[int, int] = (5, 5)
    every: int = 28
    since: int = YEAR
    until: int = 4
    errors: Mapping[str, float] = {}
    a_year: Mapping[str, float] = {}
    bow: float = 0.0
    tended: tuple[int, ...] = ()
    does: float = 0.9
    jumps: Mapping[int, Mapping[str, float]] = {}
    changes: Mapping[int, Mapping[str, Any]] = {}
    notes: Mapping[int, str] = {}
    sign_lost: Mapping[int, int] = {}


def square(size: float, **bed: Any) -> dict[str, Any]:
    """A square bed."""
    return {"x": [0, size], "y": [0, size], **bed}


def three(size: float, **screw: Any) -> list[dict[str, Any]]:
    """Two screws at the front and one at the rear of a square bed."""
    places = {"front-left": (0.06, 0.08), "front-right": (0.94, 0.08), "rear": (0.5, 0.92)}
    return [{"id": name, "x": size * x, "y": size * y, "screw": screw} for name, (x, y) in places.items()]


def four(size: float, **screw: Any) -> list[dict[str, Any]]:
    """A screw at each corner of a square bed."""
    places = {"front-left": (0.06, 0.06), "front-right": (0.94, 0.06), "rear-right": (0.94, 0.94)}
    places["rear-left"] = (0.06, 0.94)
    return [{"id": name, "x": size * x, "y": size * y, "screw": screw} for name, (x, y) in places.items()]


def vees(size: float, **screw: Any) -> list[dict[str, Any]]:
    """Three vees whose grooves meet in the middle of a square bed, on adjusting screws."""
    axes = {"front-left": 210, "front-right": 330, "rear": 90}
    return [
        {**one, "z": -30, "mount": {"kind": "vee", "axis": axes[one["id"]], "included_angle": 90}}
        for one in three(size, **screw)
    ]


def rails(size: float, left: Mapping[str, Any], right: Mapping[str, Any]) -> dict[str, Any]:
    """Two rails from front to rear beside a square bed, and how the seats of each are moved."""
    seats = [
        {"id": f"{rail}-{end}", "rail": rail, "x": x, "y": y, **how}
        for rail, x, how in (("left", -40, left), ("right", size + 40, right))
        for end, y in (("front", 0), ("rear", size))
    ]
    return {"along": "y", "seats": seats, "block_spacing": 60, "tool_offset": -35}


SLIPS, SHIMS = {"method": "slip"}, {"method": "shim", "stock": [0.05, 0.1, 0.2, 0.5]}
FINE, COMMON, COARSE = {"division": 0.001}, {"division": 0.01}, {"division": 0.05}

BIRDS = (
    Bird(
        "avocet",
        {
            "machine": {
                "bed": square(500, thickness=15, material="aluminium"),
                "supports": vees(500, lead=0.7),
                "indicator": FINE,
                "limit": {"total": 0.03},
            },
            "site": "hall 1",
            "tags": ["kinematic", "pick-and-place"],
            "check_every": 45,
        },
        errors={"front-left": 0.003, "rear": -0.002},
        bow=0.006,
        until=10,
    ),
    Bird(
        "curlew",
        {
            "machine": {
                "units": "inch",
                "bed": square(24, thickness=0.5, material="aluminium"),
                "supports": three(24, lead=0.05),
                "indicator": {"division": 0.0001},
                "limit": {"total": 0.004},
            },
            "site": "hall 3",
            "tags": ["inch", "plotter"],
            "check_every": 60,
        },
        every=42,
        errors={"front-right": 0.0004},
        bow=0.0006,
        until=28,
    ),
    Bird(
        "dunlin",
        {
            "machine": {
                "bed": square(400),
                "supports": three(400, lead=1.25),
                "indicator": COARSE,
                "limit": {"total": 0.15},
            },
            "site": "hall 2",
            "tags": ["printer"],
            "check_every": 60,
        },
        stations=(4, 4),
        errors={"front-right": 0.08},
        bow=0.02,
        until=14,
    ),
    Bird(
        "gannet",
        {
            "machine": {
                "bed": square(600, thickness=20, material="cast iron"),
                "supports": three(600, lead=1.5, turned_part="travels"),
                "indicator": COMMON,
                "limit": {"total": 0.15},
            },
            "site": "hall 3",
            "tags": ["plotter"],
            "check_every": 60,
        },
        every=30,
        errors={"front-left": 0.02},
        bow=0.02,
        until=124,
        notes={124: "Next check put off: the hall is being rebuilt."},
    ),
    Bird(
        "heron",
        {
            "machine": {
                "bed": square(500, thickness=12, material="aluminium"),
                "supports": three(500, lead=4),
                "rails": rails(500, SLIPS, SLIPS),
                "indicator": COMMON,
                "limit": {"total": 0.1},
            },
            "site": "hall 1",
            "tags": ["printer"],
            "check_every": 60,
        },
        every=21,
        errors={"front-left": 0.02},
        bow=0.01,
        until=7,
        jumps={45: {"right-front": 0.31, "front-right": -0.06}},
        changes={45: {"site": "hall 2"}},
        notes={45: "Carried to hall 2 by fork lift. It was set down hard on its front right foot."},
    ),
    Bird(
        "kestrel",
        {
            "machine": {
                "bed": square(500, thickness=12, material="aluminium"),
                "supports": three(500, lead=1),
                "indicator": FINE,
                "limit": {"total": 0.1},
            },
            "site": "hall 1",
            "tags": ["printer"],
            "check_every": 30,
        },
        every=14,
        errors={"front-left": 0.004},
        a_year={"rear": -0.065},
        bow=0.012,
        until=7,
    ),
    Bird(
        "lapwing",
        {
            "machine": {
                "bed": square(400, thickness=10, material="steel"),
                "supports": three(400, lead=0.8, turned_part="travels"),
                "rails": rails(400, SLIPS, SHIMS),
                "indicator": COMMON,
                "limit": {"total": 0.1},
            },
            "site": "hall 2",
            "tags": ["pick-and-place"],
            "check_every": 90,
        },
        stations=(4, 4),
        every=56,
        errors={"right-rear": -0.05},
        a_year={"right-rear": -0.18},
        bow=0.008,
        until=21,
    ),
    Bird(
        "linnet",
        {
            "machine": {
                "bed": square(300),
                "supports": three(300, lead=1),
                "indicator": COMMON,
                "limit": {"total": 0.1},
            },
            "site": "hall 2",
            "tags": ["printer"],
            "check_every": 60,
        },
        errors={"rear": 0.015},
        bow=0.008,
        until=21,
        changes={9: {"machine": {"supports": three(300, lead=0.7)}}},
        notes={9: "Screws of lead 1.0 replaced by screws of lead 0.7."},
    ),
    Bird(
        "plover",
        {
            "machine": {
                "bed": square(300, thickness=4, material="aluminium"),
                "supports": four(300, lead=0.7, build="nut-under-bed"),
                "indicator": COMMON,
                "limit": {"total": 0.1},
            },
            "solve": {"with": [{"solver": "four-screw", "plate": "flexible"}]},
            "site": "hall 3",
            "tags": ["printer"],
            "check_every": 60,
        },
        errors={"front-left": 0.05},
        a_year={"rear-right": 0.16, "front-left": 0.1},
        bow=0.01,
        until=5,
    ),
    Bird(
        "siskin",
        {
            "machine": {
                "bed": square(350, thickness=10, material="steel"),
                "supports": four(350, lead=1, turned_from="above"),
                "indicator": COMMON | {"bed_high_reads": "minus"},
                "limit": {"total": 0.12},
            },
            "solve": {"with": [{"solver": "four-screw", "plate": "rigid"}]},
            "site": "hall 1",
            "tags": ["printer"],
            "check_every": 60,
        },
        errors={"front-left": 0.03, "rear-left": 0.03},
        bow=0.01,
        until=6,
        sign_lost={6: 7},
    ),
    Bird(
        "swift",
        {
            "machine": {"bed": square(450), "supports": three(450, lead=2), "limit": {"total": 0.1}},
            "site": "hall 3",
            "tags": ["plotter"],
            "check_every": 30,
        },
        since=-1,
        notes={2: "Delivered. Not yet levelled; survey it before the first job."},
    ),
    Bird(
        "wren",
        {
            "machine": {
                "bed": square(400, thickness=10, material="aluminium"),
                "supports": three(400, lead=1.25, hand="left"),
                "indicator": COMMON,
                "limit": {"total": 0.1},
            },
            "site": "hall 2",
            "tags": ["printer"],
            "check_every": 45,
        },
        every=35,
        errors={"front-right": 0.42, "rear": -0.2},
        a_year={"front-right": 0.06},
        bow=0.008,
        until=14,
        tended=(364, 49),
        does=0.75,
        notes={49: "The front right nut turns hard; a quarter of each turn is lost in the spring below it."},
    ),
)
