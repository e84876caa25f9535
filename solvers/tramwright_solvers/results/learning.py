"""What the passes before teach: results as they are answered."""

from __future__ import annotations

from msgspec import Struct


class Forecast(Struct, frozen=True):
    """How many passes (moves, then a survey) remain, the one proposed here included.

    ``passes`` is the median and ``at_most`` what is enough 95 times in a hundred; ``inside`` is the total they reach:
    the aim, or the least that noise and form allow where that is more. ``says`` puts it in a sentence.
    """

    passes: int
    at_most: int
    inside: float
    says: str


class AdjusterResponse(Struct, frozen=True):
    """What one adjuster did with what was asked of it in the last pass in which it was moved.

    ``response`` = moved / asked over all passes given, with its standard uncertainty ``u``; ``moved`` is that share of
    ``asked``. ``determined`` is false where the readings alone cannot tell (they fix only how adjusters moved against
    each other); the response then rests on its having obeyed, ± 0.3. ``follows`` is false where the difference from 1
    is beyond doubt and worth a look, and ``says`` what it may be. The next travel is divided by ``divisor``: 1 where
    the difference may be play or noise, where it moves in whole steps or shims, and where it must be mended first.
    """

    adjuster: str
    asked: float
    moved: float
    response: float
    u: float
    determined: bool
    follows: bool
    divisor: float
    says: str
