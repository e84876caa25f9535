"""Requests that arrive in one turn of the event loop are answered together, and each gets its own answer.

Answering several in one go shares the fixed cost of every array operation, and lets the numerics run without the
framework between them. No request is held back for others: only those already received are taken together.
"""

from __future__ import annotations

import asyncio
from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import accumulate
from time import perf_counter
from typing import Any, Generic, TypeVar

from tramwright_solvers.correction.batching import StackWriter, SurveyRequest, answer_many
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms.registry import Registry

TURN, ESTIMATED = 0.01, 0.25
"""Seconds that may be worked on end before others get their turn of the event loop: as the estimates have lately turned
out, and as they are. They are for machines that were never seen; those seen before take a tenth or less."""

TURNS_TO_READ = 4
"""Turns of the event loop in which what arrived during a long answer is read and gets here, before the next is made."""

FORGET = 0.9
"""Share of the largest ratio of time taken to estimate that is still expected a turn later."""

T = TypeVar("T")
W = TypeVar("W")

Waiting = tuple[SurveyRequest, Callable[[T], Any], float, "asyncio.Future[Any]"]
"""A request, what is made of its answer, what it is estimated to take in seconds, and the future of that."""


class Microbatch(Generic[T]):
    """Answers quick requests at one detail, those of one turn at once as far as they are no long work together."""

    def __init__(self, registry: Registry, cache: GeometryCache, detail: StackWriter[T]) -> None:
        self._registry = registry
        self._cache = cache
        self._detail = detail
        self._pace = 1.0
        self._waiting: list[Waiting[T]] = []
        self._late: Waiting[T] | None = None

    def ask(self, asked: SurveyRequest, write: Callable[[T], W], seconds: float = 0.0) -> asyncio.Future[W]:
        """Return a future of what is written of the answer, or of the refusal; ``seconds`` are what it is estimated to
        take."""
        if not self._waiting:
            # One turn more: it takes in what has arrived while the last answers were sent, and so keeps clients that
            # ask all the time from falling apart into small groups. It costs a lone request a few microseconds.
            self._after(1)
        future: asyncio.Future[W] = asyncio.get_running_loop().create_future()
        self._waiting.append((asked, write, seconds, future))
        return future

    def _after(self, turns: int) -> None:
        """Answer what waits after so many turns of the event loop."""
        asyncio.get_running_loop().call_soon(*((self._after, turns - 1) if turns else (self._answer,)))

    def _answer(self) -> None:
        # a client that went away meanwhile wants no answer
        waiting = [one for one in self._waiting if not one[3].done()]
        most, late = min(ESTIMATED, TURN / self._pace), self._late
        expected = sum(seconds for _, _, seconds, _ in waiting)
        self._waiting, self._late = [], None
        if expected > most:
            # Who takes least comes first; who has waited longest and was passed over has the next turn, alone. So a
            # quick request waits for one long answer at the most, and a long one is not put off for ever.
            every, oldest = waiting, waiting[0]
            waiting = [one for one in every if one is late] or sorted(every, key=lambda one: one[2])
            spent = list(accumulate(seconds for _, _, seconds, _ in waiting))
            waiting = waiting[: max(1, bisect_right(spent, most))]
            expected = spent[len(waiting) - 1]
            taken = set(map(id, waiting))
            self._waiting = [one for one in every if id(one) not in taken]
            self._late = oldest if id(oldest) not in taken else None
        if self._waiting:
            self._after(TURNS_TO_READ)
        start = perf_counter()
        answers = self._answers([asked for asked, _, _, _ in waiting])
        if expected:
            self._pace = max((perf_counter() - start) / expected, FORGET * self._pace)
        for (_, write, _, future), answer in zip(waiting, answers, strict=True):
            if isinstance(answer, Exception):
                future.set_exception(answer)
                continue
            try:
                future.set_result(write(answer))
            except Exception as error:  # an answer that cannot be written is the fault of this one alone
                future.set_exception(error)

    def _answers(self, asked: list[SurveyRequest]) -> Sequence[T | Exception]:
        """Answer each request, or return its exception: whatever fails, every client gets an answer."""
        try:
            return answer_many(asked, self._registry, self._detail, self._cache)
        except Exception as error:  # the fault, ours or a plug-in's, of one of them
            if len(asked) == 1:
                return [error]
        return [answer for one in asked for answer in self._answers([one])]
