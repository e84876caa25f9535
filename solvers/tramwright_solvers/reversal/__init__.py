"""Plate or gantry: surveys with the plate turned or shifted in between tell the two forms apart (reversal)."""

from .answer import Reversal
from .placed import PlacedSurvey
from .reverse import reverse

__all__ = ["PlacedSurvey", "Reversal", "reverse"]
