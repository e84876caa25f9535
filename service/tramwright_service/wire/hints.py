"""What people write who have not read the schema yet, and what is wanted instead.

Each row is a mistake in one kind of object: the members by which it is recognised, or the member that holds a value of
another kind than is wanted.
"""

from __future__ import annotations

from typing import Any

from msgspec import Struct
from msgspec.json import encode


class Hint(Struct, frozen=True):
    """What to write. Missing members named in ``instead_of`` are not told as well."""

    says: str
    instead_of: tuple[str, ...] = ()


READING = '{"x": 20, "y": 20, "value": -0.12}'
BED = '"bed": {"x": [0, 400], "y": [0, 400]}'
SCREW = '"screw": {"lead": 0.7}'
BY_ENDS = Hint(
    f"A bed is an object with its two ends in either direction, lowest first; for one of 400 by 400 write {BED}.",
    ("x", "y"),
)
LEAD = Hint(
    f"A screw is described by `lead`, its travel for one turn: pitch × number of starts. Write {SCREW}.", ("lead",)
)
VALUE = Hint(f"What the dial reads is called `value`; write {READING}.", ("value",))
IN_SURVEY = Hint(f'Readings stand in `survey`; write "survey": {{"readings": [{READING}, …]}}.', ("survey",))
IN_MACHINE = Hint(f'This belongs to the machine; write "machine": {{{BED}, "supports": […]}}.', ("machine",))
SOLVERS = Hint('Solvers are a list of objects; write "with": [{"solver": "three-screw"}].')
ONE_EACH = f"Readings are a list with one object for each station; write [{READING}, …]."
MOVES_NOTHING = Hint("This question moves nothing, so of `solve` it takes `with` alone; leave this out.")
OFFSET_BESIDE = Hint(
    "`offset` stands beside `solve` where two surveys are compared; at several heights each survey has a zero of its "
    "own, and `offset` does not apply."
)
FORMS_ONLY = Hint(
    "Planes are taken off both forms here, and bounds and stock are not looked at: of `solve`, `with` and `criterion` "
    "apply."
)
FOR_A_PLAN = Hint(
    "A plan is chosen before anything is read, so of `solve` it takes `with` and `offset`; leave this out."
)
OF_A_SEARCH = ("aim_for", "most_moves", "time_limit")

UNKNOWN_MEMBERS: dict[tuple[str, str], Hint] = {
    **{("Bed", name): BY_ENDS for name in ("width", "depth", "length", "size")},
    **{("Screw", name): LEAD for name in ("pitch", "thread", "starts")},
    **{("Reading", name): VALUE for name in ("z", "reading", "gap", "dial", "height")},
    **{("ChosenSolvers", name): MOVES_NOTHING for name in ("criterion", *OF_A_SEARCH)},
    ("ChosenSolvers", "offset"): OFFSET_BESIDE,
    **{("ReversalSolve", name): FORMS_ONLY for name in ("offset", *OF_A_SEARCH)},
    **{("PlanSolve", name): FOR_A_PLAN for name in ("criterion", *OF_A_SEARCH)},
    **{("", name): IN_SURVEY for name in ("readings", "taken_at", "bed_temperature")},
    **{("", name): IN_MACHINE for name in ("bed", "supports", "rails", "indicator", "limit", "units")},
}
"""By kind of object, the request itself having none, and a member that it does not have."""

OTHER_KINDS: dict[tuple[str, str], Hint] = {
    ("Bed", "x"): Hint('Give both ends, lowest first; write "x": [0, 400].'),
    ("Bed", "y"): Hint('Give both ends, lowest first; write "y": [0, 400].'),
    ("Machine", "bed"): BY_ENDS,
    ("Machine", "limit"): Hint('The limit is that of the total reading; write "limit": {"total": 0.1}.'),
    ("Machine", "indicator"): Hint('The dial is described by members; write "indicator": {"division": 0.01}.'),
    ("Machine", "supports"): Hint(
        'Supports are a list, each with its name as `id`; write "supports": [{"id": "left", "x": 10, "y": 10}, …].'
    ),
    ("Support", "screw"): LEAD,
    ("Survey", "readings"): Hint(ONE_EACH),
    **{(title, "with"): SOLVERS for title in ("Solve", "ChosenSolvers", "ReversalSolve", "PlanSolve")},
}
"""By kind of object and the member whose value, or a part of whose list, is of another kind than is wanted."""


def of_rows(rows: list[Any]) -> Hint:
    """Return what to write in place of readings that are bare lists: [x, y, value], or the rows of a grid."""
    first = rows[0]
    if len(first) == 3 and all(isinstance(one, (int, float)) for one in first):
        x, y, value = first
        return Hint(f"{ONE_EACH[:-1]}; the first here is {encode({'x': x, 'y': y, 'value': value}).decode()}.")
    return Hint(f"A grid is written out, station by station. {ONE_EACH}")


SAME_UNIT = {"in": "inch", "inches": "inch", '"': "inch", "millimetre": "mm", "millimeter": "mm", "millimetres": "mm"}
"""Other names of the units taken."""
