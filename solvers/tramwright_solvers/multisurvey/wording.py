"""Words that the questions about several surveys share."""

from __future__ import annotations

TERM_NAMES = {
    "offset": "height",
    "tilt-x": "tilt to the side (x)",
    "tilt-y": "tilt front to rear (y)",
    "twist": "twist",
    "bow-x": "bow along x",
    "bow-y": "bow along y",
}

REPEATED = (
    "The spread of repeated readings counts as known; where it rests on a few repeats and makes up most of u, chance "
    "shows a change more often than stated."
)
