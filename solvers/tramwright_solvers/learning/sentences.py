"""Possible causes where an adjuster does not move as asked: sentences for the person at the machine.

The ratio alone does not prove a cause; every sentence says what would fit and what to look at first.
"""

from __future__ import annotations

import numpy as np

from ..model.contract import Adjuster
from ..model.units import MM_PER_INCH
from .response_lsq import SLIPS

CLOSE = 0.03
"""Relative agreement with another lead, beside two standard uncertainties, at which that lead is named."""

POOR = 0.1
"""Standard uncertainty of a response from which the readings are said to tell little."""

LEADS_MM = (0.5, 0.7, 0.8, 1.0, 1.25, 1.5, 1.75, 2.0, 4.0, 8.0)
"""Leads that a bed screw often has: the ISO coarse pitches of M3 to M12, and lead screws of 2 mm pitch with one, two
and four starts (common practice, no source)."""


def sentence(
    adjuster: Adjuster, asked: float, response: float, u: float, determined: bool, sure: bool, unit: str
) -> str:
    """Return what to think of one adjuster: it follows, the readings cannot tell, or what its response looks like."""
    if not determined:
        return (
            "The readings cannot tell how far this one moved by itself; the figure rests on its having obeyed, ± 0.3."
        )
    if not sure:
        if u >= POOR:
            return "The move was too small for its readings to say much; it counts as obeyed until they do."
        near = "nearly as asked" if abs(response - 1.0) > 2.0 * u else "as asked, within what the readings can tell"
        return f"Moved {near}."
    if response < -SLIPS:
        return f"It went the wrong way. {wrong_way(adjuster)} Do not move it further before that is settled."
    if response < SLIPS:
        return f"It hardly moved. {stuck(adjuster, response, u)} Find the reason before it is moved again."
    if (other := lead_like(adjuster, response, u, unit)) is not None and adjuster.screw is not None:
        return (
            f"It moved as a screw with a lead of {other:g} {unit} would; {adjuster.screw.lead:g} {unit} is described. "
            "Check pitch and starts on the screw itself, and how the turn was measured."
        )
    return short(adjuster, abs(asked) * (1.0 - response), unit) if response < 1.0 else far(adjuster)


def wrong_way(adjuster: Adjuster) -> str:
    """Return what makes an adjuster go the wrong way."""
    if adjuster.screw is not None:
        return (
            "Either it was turned the other way, or its hand, the side it is turned from or the part that turns is "
            "described wrongly."
        )
    if adjuster.stock is not None:
        return "Either sheets were taken out instead of put in, or another seat was shimmed."
    return "Either it was moved the other way, or another one was moved in its place."


def stuck(adjuster: Adjuster, response: float, u: float) -> str:
    """Return what makes an adjuster stand still; a mix-up of mm and inch where the ratio is that clear."""
    if u < 0.01 and abs(response - 1.0 / MM_PER_INCH) < 2.0 * u:
        return "Its share is near 1/25.4: a travel in mm may have been set as thousandths of an inch or the like."
    if adjuster.screw is not None:
        return "The screw may turn in a nut that turns with it, slip in its clamp, be locked, or not have been turned."
    if adjuster.stock is not None:
        return "The shims may not lie under the seat's bolt, or the seat may hang on its neighbours."
    return f"{_it(adjuster)} may have slipped back when it was tightened, or not have been moved."


def short(adjuster: Adjuster, missing: float, unit: str) -> str:
    """Return what makes an adjuster fall short, ``missing`` being how much was lost in the last pass."""
    if adjuster.screw is not None:
        return (
            f"It fell short. If about {missing:.2g} {unit} is lost whenever it is turned back, that is play "
            "(backlash): go past and come up from the same side every time. If the share stays the same, its "
            "lead is less than described, or the bed beside it gives."
        )
    if adjuster.stock is not None:
        return "It fell short. Look for sheets that are thinner than marked, or a seat that does not lie flat on them."
    return f"It fell short. {_it(adjuster)} gives way as it is tightened: tighten in turns with the dial on it."


def _it(adjuster: Adjuster) -> str:
    """Return what stands for an adjuster at the beginning of a sentence."""
    noun = adjuster.noun or ("seat" if adjuster.kind == "seat" else "")
    return f"The {noun}" if noun else "It"


def far(adjuster: Adjuster) -> str:
    """Return what makes an adjuster overshoot."""
    if adjuster.screw is not None:
        return "It went too far. Check its lead (pitch × starts), and how the turn was measured."
    if adjuster.stock is not None:
        return "It went too far. Look for dirt, burrs or sheets that are thicker than marked or not flat."
    return f"It went too far. {_it(adjuster)} rises as it is tightened: tighten in turns with the dial on it."


def lead_like(adjuster: Adjuster, response: float, u: float, unit: str) -> float | None:
    """Return the only usual lead, in ``unit``, that this response fits, or None where none or several do."""
    if adjuster.screw is None:
        return None
    found = adjuster.screw.lead * response
    leads = np.array(LEADS_MM) / (1.0 if unit == "mm" else MM_PER_INCH)
    fits = leads[np.abs(leads - found) <= np.minimum(CLOSE * found, 2.0 * u * adjuster.screw.lead)]
    return float(fits[0]) if len(fits) == 1 else None


def undetermined_sentence(ids: tuple[str, ...]) -> str:
    """Return the sentence on adjusters that the readings cannot tell apart."""
    if len(ids) == 1:
        return (
            f"These readings cannot show how far {ids[0]} moved: too few stations were read both before and after, or "
            "none where it acts, or it moved the bed only as a change of zero would."
        )
    names = f"{', '.join(ids[:-1])} and {ids[-1]}"
    return (
        f"These readings cannot tell how far each of {names} moved: they show at most how these moved against each "
        "other. Move fewer of them at once, or read more of the same stations before and after."
    )


MISFIT = (
    "The changes between the surveys are more than these moves, one share for each adjuster, and the scatter "
    "of the readings explain: something else moved, a move was left out, play was lost, or a reading "
    "slipped. Every u is widened accordingly; find the cause before relying on what is learnt."
)


def scale_off(share: float, u: float) -> str:
    """Say that all adjusters answered by one and the same share."""
    which = "long" if share > 1.0 else "short"
    return (
        f"All adjusters moved answered alike, by {share:.3f} (u {u:.3f}) of what was asked: the scale of the indicator "
        f"may be that much too {which}, and then every length here with it. Check it against a gauge block. Sound "
        "machines look so once in a thousand."
    )


def no_pass_remains(inside: float, aim: float, unit: str, digits: int) -> str:
    """Say that nothing is to be moved; where the total is not known to be inside the aim, what it is inside."""
    if inside <= aim:
        return "No move is called for, so no pass remains."
    return (
        f"No move is called for, so no pass remains: the total is inside {inside:.{digits}f} {unit} with at least "
        f"95 % confidence; that it is inside the aim of {aim:.{digits}f} {unit} is not certain."
    )


def too_many_passes(most_passes: int, goal: str) -> str:
    return (
        f"More than {most_passes} passes to get inside {goal}: the adjusters do not follow well enough. Mend that "
        "first."
    )


def passes_left(usual: int) -> str:
    return f"{usual} passes, this one included,"


def passes_at_most(most: str) -> str:
    return f" ({most} at most, with at least 95 % confidence, where no play is lost)"


def passes_to_the_aim(passes: str, goal: str, known: str) -> str:
    return f"{passes} should bring the total inside {goal}{known}."


def aim_out_of_reach(aim: float, unit: str, digits: int) -> str:
    return (
        f" The aim of {aim:.{digits}f} {unit} may not be reached: moves end where none is sure to gain, or where the "
        "bed is good enough to be left alone."
    )
