"""One sheet of paper for the machine: what is said of a correction, in the order in which it is needed."""

from __future__ import annotations

import re
from base64 import b64encode
from functools import cache
from hashlib import sha256
from typing import Any

from markupsafe import Markup
from msgspec import Struct
from msgspec.structs import replace

from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.units import signed
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.views.certainty import whole_bed
from tramwright_solvers.views.correction import SHARE, TERMS, verdicts, with_u
from tramwright_solvers.views.progress import line

from .. import version
from ..maps.figure import picture
from ..maps.subjects import of_correction
from ..wire.media_types import SVG
from ..wire.plain import plain
from .render import HERE, TEMPLATES

TEMPLATE = "sheet.html"

CARE = "Take care."
SURE, OF_WHAT = "How sure", "Of what"
IN_ORDER, LEFT_IN_ORDER = "What to do, in this order", "What is left to do, in this order"
TO_BLAME, TO_BLAME_AS_FOUND = "To blame", "To blame as found"
MADE = "Made already"
DIAL_BEFORE, DIAL_GOAL, DIAL_READ = "dial before", "dial goal", "dial read"
TO_SIGN = ("done by", "date", "closing survey: total, and within the limit?")
WORDS = {
    "care": CARE, "made": MADE, "sure": SURE, "of_what": OF_WHAT,
    "dial_before": DIAL_BEFORE, "dial_goal": DIAL_GOAL, "dial_read": DIAL_READ, "to_sign": TO_SIGN,
}  # fmt: skip
"""What stands on every sheet, on paper and as a page."""

STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


class Row(Struct, frozen=True):
    """One step, and what the dial reads before and after it; empty where that is not known."""

    do: str
    before: str
    goal: str


class Bar(Struct, frozen=True):
    """One term of the gap as found, its size, and its share of all, 0 to 1."""

    name: str
    size: str
    share: float


class Sheet(Struct, frozen=True):
    """What stands on the sheet, in words and figures."""

    machine: str
    verdict: list[str]
    """What to do, then both totals against the limit."""
    cautions: list[str]
    made: list[str]
    """Steps carried out since the survey; the steps to do are numbered on from them."""
    in_order: str
    steps: list[Row]
    to_blame: str
    blame: list[Bar]
    attribution: str
    sureness: list[str]
    doubts: list[str]
    about: list[tuple[str, str]]
    """Machine, date, indicator, versions and hash, each with its name."""


def sheet_of(asked: Any, answer: Correction, sent: bytes) -> Sheet:
    """Return what stands on the sheet; ``sent`` is the request as it was sent."""
    digits, unit = answer.digits, answer.units
    now = f", {with_u(answer.progress.now, digits)} {unit} now" if answer.progress else ""
    return Sheet(
        answer.machine,
        [answer.says, *verdicts(answer, digits)],
        list(answer.cautions),
        [line(step, unit) for step in answer.progress.steps] if answer.progress else [],
        LEFT_IN_ORDER if answer.progress else IN_ORDER,
        [
            Row(
                step.do,
                "" if step.dial_before is None else signed(step.dial_before, digits),
                "" if step.dial_after is None else signed(step.dial_after, digits),
            )
            for step in answer.steps
        ],
        TO_BLAME_AS_FOUND if answer.progress else TO_BLAME,
        [
            Bar(TERMS.get(term.term, term.term), f"{term.range:.{digits}f} {unit}", term.share)
            for term in sorted(answer.breakdown, key=lambda one: -one.share)
            if term.range and term.share >= SHARE
        ],
        answer.attribution,
        [
            f"The totals are known to {with_u(answer.as_found, digits)} {unit} as found{now} "
            f"and {with_u(answer.predicted, digits)} {unit} predicted (± U, k = {answer.predicted.k:.3g}, JCGM 100).",
            whole_bed(answer.over_bed, digits, unit),
        ],
        [*(one.says for one in answer.suspects), *answer.notes],
        about(asked.machine, answer, sent),
    )


def about(machine: Machine, answer: Correction, sent: bytes) -> list[tuple[str, str]]:
    """Return what the sheet is of, and what it was worked out with."""
    digits, unit = answer.digits, answer.units
    sense = "minus" if machine.sense < 0.0 else "plus"
    indicator = f"division {machine.division:g}, error ± {machine.error_limit:g} {unit}; a high bed reads {sense}"
    solvers = ", ".join(f"{name} {number}" for name, number in answer.solver_versions.items())
    taken = [("Survey", answer.taken_at)] if answer.taken_at else []
    assumed = [("Assumed", "; ".join(answer.assumed))] if answer.assumed else []
    return [
        ("Machine", answer.machine),
        *taken,
        ("Indicator", indicator),
        ("Limit", f"total {answer.verdict.limit:.{digits}f} {unit} ({answer.verdict.rule})"),
        *assumed,
        ("Worked out by", f"Tramwright {version()}; {solvers}"),
        ("SHA-256 of the request", sha256(sent).hexdigest()),
    ]


@cache
def policy() -> str:
    """Return the Content Security Policy of the sheet: its own style, its own picture, and nothing else."""
    source = (HERE / "templates" / TEMPLATE).read_text(encoding="utf-8")
    (style,) = STYLE.findall(source)
    hashed = b64encode(sha256(style.encode()).digest()).decode()
    return f"default-src 'none'; img-src data:; style-src 'sha256-{hashed}'; base-uri 'none'; form-action 'none'"


def as_html(asked: Any, answer: Correction, sent: bytes) -> bytes:
    """Return the sheet as a page that stands alone, as it is served and where it is saved."""
    drawing = replace(of_correction(asked, answer), says="")  # the sheet says it above
    source = b64encode(picture(drawing, SVG, "light")).decode()
    written = TEMPLATES.get_template(TEMPLATE).render(
        sheet=sheet_of(asked, answer, sent),
        policy=policy(),
        map=Markup(f"data:{SVG};base64,{source}"),
        tells=drawing.tells,
        words=WORDS,
        plain=plain,
    )
    return written.encode()
