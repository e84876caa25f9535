"""Plate or gantry: surveys with the plate turned or shifted in between tell the two forms apart (reversal)."""

from .placement import PlacedSurvey
from .results import Reversal
from .reverse import reverse

__all__ = ["PlacedSurvey", "Reversal", "reverse"]
