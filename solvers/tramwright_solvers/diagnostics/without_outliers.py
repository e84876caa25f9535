"""The answer without the suspects: what follows if they prove to be slips.

A suspect may be a slip or a real dent, and only reading it again can tell. Leaving a station out shows how much the
answer depends on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from msgspec.structs import replace

from ..model.errors import Refused
from ..model.survey import Survey
from ..results.correction import MovesAnswer, Refit
from ..results.findings import Place, Suspect
from . import sentences

SAYS = sentences.IF_THEY_ARE_SLIPS
TOO_LITTLE = sentences.TOO_LITTLE_LEFT


def without(survey: Survey, suspects: Sequence[Suspect]) -> Survey:
    """Return the survey without any reading at the suspects' stations, in whatever set-up or repeat."""
    aside = {(suspect.x, suspect.y) for suspect in suspects}
    return replace(survey, readings=[one for one in survey.readings if (one.x + 0.0, one.y + 0.0) not in aside])


def refit(survey: Survey, suspects: Sequence[Suspect], again: Callable[[Survey], MovesAnswer]) -> Refit | None:
    """Return the answer without the suspects, or None where there are none; ``again`` answers a survey."""
    if not suspects:
        return None
    places = [Place(suspect.x, suspect.y) for suspect in suspects]
    try:
        told = again(without(survey, suspects))
    except Refused:
        return Refit(places, None, None, None, None, TOO_LITTLE)
    # what would decide it is not asked before the suspects are read again
    verdict = replace(told.verdict, decided_by="")
    return Refit(places, told.as_found, told.predicted, told.moves, verdict, SAYS)
