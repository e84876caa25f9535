"""What travels over the wire of the stored farm: machines, surveys, moves really made, notes, standings.

What is answered from the store holds documents as they were stored (:class:`msgspec.Raw` in the place of their types),
so that an old document can be read whatever has been added to its type since.
"""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal

import msgspec
from msgspec import Meta, Struct, field

from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import USUAL, M, Solve
from tramwright_solvers.model.quantities import UNPRINTED, Name, SurveyTakenAt, TakenAt, Units
from tramwright_solvers.model.survey import Made, Survey
from tramwright_solvers.results.correction import MovesAnswer

from .drift import DriftWarning, NextCheck

Standing = Literal["outside", "undecided", "never-surveyed", "stale", "within"]
STANDINGS: tuple[Standing, ...] = ("outside", "undecided", "never-surveyed", "stale", "within")
"""Every standing, the worst first."""

MOST_DAYS = 36_500

StoredId = Annotated[str, Meta(min_length=1, max_length=64, pattern=rf"^(?!\.\.?$)[^{UNPRINTED}/]*$(?!\n)")]
"""What a stored machine can be called: one segment of a path, which clients do not take for a step in it (RFC 3986,
5.2.4)."""


def can_be_stored(name: str) -> bool:
    """Say whether a stored machine can be called so."""
    try:
        msgspec.convert(name, StoredId)
    except msgspec.ValidationError:
        return False
    return True


MachineName = Annotated[str, Meta(description="`id` of the stored machine.")]
Number = Annotated[int, Meta(description="Number of the survey: the machine's first is 1.")]
Version = Annotated[
    int,
    Meta(description="Version of the machine's description: 1 when it was first stored, one more with each change."),
]
Instant = Annotated[str, Meta(description="When the service stored it: RFC 3339, UTC.")]
Tags = Annotated[list[Name], Meta(max_length=32, description="Words by which lists can be filtered; each once.")]
Text = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=4000,
        pattern=rf"^(?:[^{UNPRINTED}]|\n)*$(?!\n)",
        description="A text for people; lines are parted by newlines.",
    ),
]
Note = Annotated[Text | None, Meta(description="What else is to be remembered; absent or null, nothing.")]
Next = Annotated[
    str | None, Meta(description="`cursor` of the next page, as in the Link header; null on the last page.")
]
Options = Annotated[
    dict[str, Any], Meta(description="Options of corrections: `solve` of a correction, as it was sent; {} as usual.")
]


class MachineEntry(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """A machine as it is put into the store."""

    machine: Annotated[
        Machine, Meta(description="Its description. Its `id` is that of the path, or is left out and becomes that.")
    ]
    site: Annotated[Name | None, Meta(description="Where it stands; absent or null, not said.")] = None
    tags: Tags = field(default_factory=list)
    check_every: Annotated[
        Annotated[float, Meta(gt=0, le=MOST_DAYS)] | None,
        Meta(description="Days after which a survey counts no longer; absent or null, it counts until the next."),
    ] = None
    solve: Annotated[
        Solve[M], Meta(description="How its surveys are corrected where they do not say; left out, as usual.")
    ] = field(default_factory=lambda: USUAL)


class MachineRecord(Struct, frozen=True):
    """A stored machine."""

    id: MachineName
    version: Version
    machine: Annotated[Machine, Meta(description="Its description.")]
    site: Annotated[str | None, Meta(description="Where it stands; null where it was not said.")]
    tags: Annotated[list[str], Meta(description="Words by which lists can be filtered; empty where it has none.")]
    check_every: Annotated[
        float | None, Meta(description="Days after which a survey counts no longer; null, it counts until the next.")
    ]
    solve: Options
    changed_at: Annotated[str, Meta(description="When this version was stored: RFC 3339, UTC.")]


class SurveyEntry(Struct, Generic[M], frozen=True, forbid_unknown_fields=True):
    """A survey as it is posted for a stored machine."""

    survey: Annotated[
        Survey,
        Meta(
            description="The readings. Where it has no `previous`, the passes are taken from the store: the surveys "
            "before it after which the moves really made were recorded."
        ),
    ]
    solve: Annotated[
        Solve[M] | None, Meta(description="What is asked for; absent or null, as the stored machine says.")
    ] = None
    note: Note = None


class SurveyRecord(Struct, frozen=True):
    """A stored survey and what its correction said when it came. It never changes."""

    machine: MachineName
    number: Number
    version: Version
    taken_at: SurveyTakenAt
    received_at: Instant
    survey: Annotated[Survey, Meta(description="The readings, as they were sent.")]
    solve: Options
    note: Annotated[str | None, Meta(description="What was to be remembered; null where nothing was.")]
    input: Annotated[
        str,
        Meta(
            description="SHA-256 of the request that was solved: description, survey with the passes before it, and "
            "options. Where this and the solvers' versions are the same, so is the correction."
        ),
    ]
    learnt_from: Annotated[
        list[int],
        Meta(description="Numbers of the surveys whose readings and moves it learnt from, the oldest first."),
    ]
    answer: Annotated[MovesAnswer, Meta(description="What the correction said: totals, verdict and moves.")]


class MovesEntry(Struct, frozen=True, forbid_unknown_fields=True):
    """The moves really made after a survey."""

    moves: Annotated[
        list[Made],
        Meta(max_length=64, description="One entry for each adjuster moved; empty where nothing was moved."),
    ]
    made_at: TakenAt = None
    note: Note = None


class MovesRecord(Struct, frozen=True):
    """The moves really made after a survey, as last recorded."""

    machine: MachineName
    number: Number
    entry: Annotated[int, Meta(description="How many times they were recorded: the first is 1, and the last counts.")]
    recorded_at: Instant
    moves: Annotated[list[Made], Meta(description="One entry for each adjuster moved.")]
    made_at: Annotated[str | None, Meta(description="When they were made, as it was sent; null where it was not.")]
    note: Annotated[str | None, Meta(description="What was to be remembered; null where nothing was.")]


class NoteEntry(Struct, frozen=True, forbid_unknown_fields=True):
    """A note on a machine, or on one of its surveys."""

    text: Text
    survey: Annotated[
        Annotated[int, Meta(ge=1, le=2**31 - 1)] | None,
        Meta(description="Number of the survey that it is about; absent or null, the machine."),
    ] = None


class NoteRecord(Struct, frozen=True):
    """A stored note. It never changes."""

    machine: MachineName
    note: Annotated[int, Meta(description="Number of the note: the machine's first is 1.")]
    survey: Annotated[int | None, Meta(description="Number of the survey that it is about; null, the machine.")]
    text: Annotated[str, Meta(description="The text, as it was sent.")]
    written_at: Instant


class Visit(Struct, frozen=True):
    """What a visit to the machine would take."""

    do: Annotated[
        Literal["move", "nothing", "read-again", "read-more", "survey"],
        Meta(
            description="What the last correction advises, or `survey` where there is none that counts: never "
            "surveyed, stale, or moved since."
        ),
    ]
    adjusters: Annotated[list[str], Meta(description="Adjusters to move, in the order of work; empty unless `move`.")]
    moves: Annotated[int, Meta(description="How many adjusters are to be moved.")]


class MachineStanding(Struct, frozen=True):
    """How a machine stands: by its last survey, and whether that still counts."""

    id: MachineName
    version: Version
    site: Annotated[str | None, Meta(description="Where it stands; null where it was not said.")]
    tags: Annotated[list[str], Meta(description="Words by which lists can be filtered; empty where it has none.")]
    surveys: Annotated[int, Meta(description="How many surveys are stored.")]
    standing: Annotated[
        Standing,
        Meta(
            description="`outside` and `undecided` as the last survey found it, until the next. `stale`: it was within "
            "or undecided, and that survey is older than `check_every` or was taken with an earlier description of the "
            "machine. `within`: proven, and it still counts."
        ),
    ]
    survey: Annotated[int | None, Meta(description="Number of the survey judged; null where there is none.")]
    taken_at: Annotated[
        str | None, Meta(description="When that survey was taken: RFC 3339, UTC; null where there is none.")
    ]
    stale_at: Annotated[
        str | None, Meta(description="When it counts no longer, or since when: RFC 3339, UTC; null for never.")
    ]
    total: Annotated[float | None, Meta(description="Its total, in `units`; null where there is none.")]
    u: Annotated[
        float | None, Meta(description="Standard uncertainty (k = 1) of the total, in `units`; null likewise.")
    ]
    limit: Annotated[float | None, Meta(description="Limit it was judged by, in `units`; null likewise.")]
    units: Units
    visit: Annotated[Visit, Meta(description="What a visit would take.")]
    drift: Annotated[
        DriftWarning | None,
        Meta(description="The warning that the limit will be passed, while it is not; null where there is none."),
    ]
    next_check: Annotated[NextCheck, Meta(description="When to survey it next, with the reason.")]


class MachineList(Struct, frozen=True):
    """A page of stored machines, in the order of their `id`."""

    machines: Annotated[list[MachineStanding], Meta(description="The machines of this page.")]
    next: Next


class FleetCounts(Struct, frozen=True):
    """How many machines stand how."""

    outside: Annotated[int, Meta(description="Proven outside.")]
    undecided: Annotated[int, Meta(description="Neither proven within nor outside.")]
    never_surveyed: Annotated[int, Meta(description="Without any survey.")]
    stale: Annotated[int, Meta(description="Whose last survey counts no longer.")]
    within: Annotated[int, Meta(description="Proven within, by a survey that still counts.")]


class Fleet(Struct, frozen=True):
    """A page of the farm, the worst first, and the counts of the whole farm as filtered."""

    as_of: Annotated[str, Meta(description="The time for which it holds: RFC 3339, UTC.")]
    counts: Annotated[FleetCounts, Meta(description="How many machines stand how, on all pages together.")]
    machines: Annotated[
        list[MachineStanding],
        Meta(
            description="By standing: outside, undecided, never surveyed, stale, within; in each the largest total for "
            "its limit first, of the stale ones the longest overdue."
        ),
    ]
    next: Next


class SurveyTold(Struct, frozen=True):
    """A stored survey in short."""

    number: Number
    version: Version
    taken_at: Annotated[
        str, Meta(description="When it was taken: RFC 3339, UTC; when it was stored, where it does not say.")
    ]
    received_at: Instant
    as_found: Annotated[Literal["within", "outside", "undecided"], Meta(description="As the survey found the machine.")]
    predicted: Annotated[
        Literal["within", "outside", "undecided"], Meta(description="As it was to be after the moves advised.")
    ]
    total: Annotated[float, Meta(description="Total as found, in `units`.")]
    u: Annotated[float, Meta(description="Standard uncertainty (k = 1) of the total, in `units`.")]
    limit: Annotated[float, Meta(description="Limit it was judged by, in `units`.")]
    units: Units


class SurveySummary(SurveyTold, frozen=True):
    """One stored survey in a list."""

    moved: Annotated[bool, Meta(description="Whether moves made after it were recorded.")]


class SurveyList(Struct, frozen=True):
    """A page of a machine's surveys, the latest stored first."""

    surveys: Annotated[list[SurveySummary], Meta(description="The surveys of this page.")]
    next: Next


class NoteList(Struct, frozen=True):
    """A page of a machine's notes, the latest first."""

    notes: Annotated[list[NoteRecord], Meta(description="The notes of this page.")]
    next: Next


def machine_entry(M_: Any) -> Any:
    """Return the type of a machine to store, for the union of solvers that may be named."""
    generic: Any = MachineEntry
    return generic[M_]


def survey_entry(M_: Any) -> Any:
    """Return the type of a survey to store, for the union of solvers that may be named."""
    generic: Any = SurveyEntry
    return generic[M_]
