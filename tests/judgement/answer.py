"""The one place that knows the fields of an answer: asks as a client does, and gives back what is judged."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import msgspec

from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.splitter import Chunk
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build

LINES = LineAnswerer(build(BUILT_IN))
BETTER_INDICATOR = re.compile(
    r"\b(?:finer|better)\s+indicator\b|\b(?:indicator|one)\s+with\s+an?\s+error\s+limit\b", re.I
)


@dataclass(frozen=True)
class Step:
    """One step that moves an adjuster.

    ``travel`` is None where the adjuster is brought up until the dial just stirs; ``still`` says that the dial is not
    to move. ``turn`` is direction, degrees and side where the whole move is one turn of a screw.
    """

    adjuster: str
    travel: float | None
    park: tuple[float, float] | None
    before: float | None
    after: float | None
    still: bool
    turn: tuple[str, float, str] | None


class Answer:
    """An answer of the service, or its refusal."""

    def __init__(self, document: dict[str, Any]) -> None:
        self.document = document
        self.refused = "problem" in document

    @property
    def as_found(self) -> str:
        """Verdict on the bed as found."""
        return str(self.document["verdict"]["as_found"])

    @property
    def predicted(self) -> str:
        """Verdict on the bed once the steps are made."""
        return str(self.document["verdict"]["predicted"])

    @property
    def probability(self) -> float | None:
        """Probability that the bed is within its limit once the steps are made."""
        told = self.document["verdict"]["probability"]
        return None if told is None else float(told)

    @property
    def limit(self) -> float:
        return float(self.document["verdict"]["limit"])

    @property
    def total(self) -> float:
        """Total as found."""
        return float(self.document["as_found"]["total"])

    @property
    def total_u(self) -> float:
        """U of the total as found."""
        return float(self.document["as_found"]["expanded"])

    @property
    def left(self) -> float:
        """Predicted total."""
        return float(self.document["predicted"]["total"])

    @property
    def left_u(self) -> float:
        """U of the predicted total."""
        return float(self.document["predicted"]["expanded"])

    @property
    def starts_with_a_move(self) -> bool:
        """True where the first step of all moves an adjuster."""
        return bool(self.document["steps"]) and moves_something(self.document["steps"][0])

    @property
    def steps(self) -> list[Step]:
        """Steps that move an adjuster, in their order; those that only read are left out."""
        made = [one for one in self.document["steps"] if moves_something(one)]
        moves = {one["adjuster"]: one for one in self.document["moves"]}
        return [step_of(one, moves, sum(one["adjuster"] == other["adjuster"] for other in made)) for one in made]

    @property
    def advises_better_indicator(self) -> str | None:
        """The sentence that asks for a better indicator, if there is one."""
        return next((text for text in texts(self.document) if BETTER_INDICATOR.search(text)), None)


def moves_something(step: dict[str, Any]) -> bool:
    """A step that names an adjuster moves it; one that only reads names none."""
    return bool(step.get("adjuster"))


def step_of(step: dict[str, Any], moves: dict[str, Any], times: int) -> Step:
    """Read one step; where an adjuster has one step only, its turn is that of its move."""
    park, move = step.get("park"), moves.get(step["adjuster"], {})
    still, travel = step.get("dial_goes") not in ("up", "down"), step.get("travel")
    whole = times == 1 and move.get("direction") is not None
    return Step(
        step["adjuster"],
        None if still and (travel is None or travel > 0) else travel,
        (park["x"], park["y"]) if park else None,
        step.get("dial_before"),
        step.get("dial_after"),
        still,
        (move["direction"], move["degrees"], move["seen_from"]) if whole else None,
    )


def texts(document: Any) -> Iterator[str]:
    """Every sentence of an answer."""
    if isinstance(document, str):
        yield document
    elif isinstance(document, dict):
        for value in document.values():
            yield from texts(value)
    elif isinstance(document, list):
        for value in document:
            yield from texts(value)


def ask(request: dict[str, Any]) -> Answer:
    """Ask the service as a line of a batch is asked, at full detail."""
    body = LINES.answer(Chunk(1, "full", [msgspec.json.encode(request)])).body
    return Answer(msgspec.json.decode(body.splitlines()[0]))
