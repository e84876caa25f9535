"""A process in which plug-ins run: reads requests from standard input, writes replies, ends when the input does.

Started by :mod:`...execution.plug_ins.process`, on whose page of memory it tells which method of which plug-in runs.
"""

from __future__ import annotations

import inspect
import mmap
import os
import resource
import signal
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from time import monotonic
from typing import Any

import msgspec
import structlog

from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import affordable
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.plug_ins import sentences
from tramwright_solvers.mechanisms.plug_ins.calls import CALLS
from tramwright_solvers.mechanisms.plug_ins.described import Description
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.contract import Mechanism
from tramwright_solvers.model.deadline import NEVER
from tramwright_solvers.model.errors import PlugInFault, SolverError
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.views.correction import as_text

from ...catalogue.endpoints import QUESTIONS, Question
from ...execution.plug_ins.messages import CORRECTIONS, DESCRIBE, LINE, SUITS, Ask, First, Reply
from ...execution.request_log import configure
from ...wire.decode import Decoder
from ...wire.encode import encode
from ...wire.problems import RequestError, describe, headers
from ...wire.requests import correction_request
from ..answerer import LineAnswerer
from ..splitter import Chunk
from .worker import read, write

ROOM = 2
"""How many times the memory of one request there may be, beside what the process takes anyway and its cache."""

_pack = msgspec.msgpack.Encoder().encode


class Clock:
    """Tells on a page of memory which method runs, and has the kernel end the process where it lasts too long."""

    def __init__(self, page: mmap.mmap, seconds: float) -> None:
        self._page = page
        self._most = seconds
        self._allowed: dict[str, float] = {}
        self._left: dict[str, float] = {}
        self._name = ""
        self._since = 0.0
        signal.signal(signal.SIGALRM, signal.SIG_DFL)

    def allow(self, name: str, seconds: float) -> None:
        """Let a plug-in take less than the most."""
        self._allowed[name] = min(seconds, self._most)

    def refill(self) -> None:
        """Begin a request: each plug-in has its whole time again."""
        self._left = dict(self._allowed)

    def begin(self, name: str, origin: str, method: str) -> None:
        """Start the clock of a plug-in."""
        told = "\n".join((name, origin, method)).encode()[: len(self._page) - 1]
        self._page[: len(told) + 1] = told + b"\0"
        self._name, self._since = name, monotonic()
        signal.setitimer(signal.ITIMER_REAL, max(self._left.get(name, self._most), 1e-3))

    def end(self) -> None:
        """Stop it."""
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        self._left[self._name] = self._left.get(self._name, self._most) - (monotonic() - self._since)
        self._page[:1] = b"\0"


class Answers:
    """What a process with these plug-ins can be asked."""

    def __init__(self, first: First, clock: Clock) -> None:
        settings = self._settings = first.settings
        self._first, self._clock = first, clock
        self._registry = build(BUILT_IN, first.plug_ins).with_guests(first.others)
        for name, solver in self._registry.solvers.items():
            clock.allow(name, solver.seconds if isinstance(solver.seconds, int | float) else first.seconds)
        self._cache = GeometryCache(settings.cache)
        lines = LineAnswerer(self._registry, self._cache, settings.most)
        decode = msgspec.msgpack.Decoder(Chunk).decode
        machine = msgspec.msgpack.Decoder(tuple[Machine]).decode
        self._known: dict[str, Callable[[Ask], bytes]] = {
            DESCRIBE: lambda _: _pack(self._describe()),
            SUITS: lambda ask: _pack(self._suited(*machine(ask.body))),
            LINE: lambda ask: _pack(lines.answer(decode(ask.body))),
            CORRECTIONS: self._correct,
            **{question.name: partial(self._question, question) for question in QUESTIONS},
        }
        self._correction = Decoder[Any](correction_request(self._registry), self._registry)
        self._decoders = {one.name: Decoder[Any](one.request(self._registry), self._registry) for one in QUESTIONS}

    def reply(self, ask: Ask) -> Reply:
        """Reply to anything, with a problem where need be."""
        self._clock.refill()
        self._named = list[str]()
        try:
            return Reply(self._known[ask.question](ask))
        except (Exception, SystemExit) as error:
            fault = error if isinstance(error, (RequestError, SolverError)) else self._unforeseen(error)
            if isinstance(fault, PlugInFault):
                structlog.get_logger("plug-ins").error("plug-in failed", exc_info=error)
                fault = fault.among(self._named)
            return Reply(problem=describe(fault), headers=headers(fault))

    def _unforeseen(self, error: BaseException) -> PlugInFault:
        """Say that the calculation failed over what plug-ins returned, which with the built-in solvers it does not."""
        one = self._first.plug_ins[0]
        says = sentences.failed(one.name, one.origin, sentences.BETWEEN, sentences.computes_badly(error))
        return PlugInFault(says, one.name)

    def _read(self, decoder: Decoder[Any], ask: Ask) -> Any:
        """Read a request; what a plug-in runs when its options are read is on its clock too."""
        one = self._first.plug_ins[0]
        with CALLS.call(one.name, one.origin, sentences.BETWEEN):
            asked = decoder.decode(ask.body, ask.sent_as)
        self._named = [mechanism.name() for mechanism in asked.solve.with_]
        return asked

    def _correct(self, ask: Ask) -> bytes:
        asked, most = self._read(self._correction, ask), self._settings.most
        affordable(asked.machine, asked.survey, asked.solve, asked.done, most)
        within = NEVER.sooner(most.seconds)
        answer = correct(asked.machine, asked.survey, asked.solve, self._registry, self._cache, within, asked.done)
        return encode(answer, ask.media_type, as_text)

    def _question(self, question: Question, ask: Ask) -> bytes:
        asked, most = self._read(self._decoders[question.name], ask), self._settings.most
        question.check(asked, most)
        answer = question.solve(asked, self._registry, NEVER.sooner(most.seconds))
        return encode(answer, ask.media_type, question.text)

    def _suited(self, machine: Machine) -> list[str]:
        own = [one.name for one in self._first.plug_ins]
        return [name for name in own if name in self._registry.solvers and self._registry.solvers[name].suits(machine)]

    def _describe(self) -> Description:
        """Describe the only plug-in loaded here, once it has answered its example."""
        (plug_in,) = self._first.plug_ins
        if self._registry.unusable:
            return Description(plug_in.name, plug_in, reason=self._registry.unusable[0].reason)
        (name,) = [name for name, origin in self._registry.origins.items() if origin == plug_in.origin]
        solver = self._registry.solvers[name]
        plain: type[Mechanism] = getattr(solver, "plain", solver)
        plug_in = msgspec.structs.replace(plug_in, name=name)
        example, reason = self._example(plain)
        return Description(
            name,
            plug_in,
            solver.version,
            (inspect.getdoc(plain) or "").partition("\n")[0],
            solver.needs,
            msgspec.json.schema(solver),
            None if solver.extras is None else msgspec.json.schema(solver.extras),
            example,
            plain.suits.__func__ is not Mechanism.suits.__func__,  # type: ignore[attr-defined]  # a class method has it
            reason,
        )

    def _example(self, plain: type[Mechanism]) -> tuple[dict[str, Any] | None, str | None]:
        """Return the example of a plug-in, and why it is not answered."""
        if plain.example is None:
            return None, None
        path = Path(inspect.getfile(plain)).with_name(plain.example)
        if not path.is_file():
            return None, sentences.no_example(plain.example)
        reply = self.reply(Ask(CORRECTIONS, path.read_bytes()))
        if reply.problem is not None:
            return None, sentences.example_fails(plain.example, reply.problem.detail)
        return msgspec.json.decode(path.read_bytes()), None


def bounded(first: First) -> None:
    """Bound the memory of this process: beyond it an allocation fails, and the host lives."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + first.settings.cache + ROOM * first.settings.memory
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main() -> None:
    """Reply to requests until there are no more."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever a plug-in prints must not run into the answers
    requests = os.fdopen(os.dup(sys.stdin.fileno()), "rb")
    os.dup2(os.open(os.devnull, os.O_RDONLY), sys.stdin.fileno())  # nor may it read them
    page = int(sys.argv[1])
    clock_page = mmap.mmap(page, mmap.PAGESIZE)
    os.close(page)
    message = read(requests)
    if message is None:
        return
    first = msgspec.msgpack.decode(message, type=First)
    configure(first.settings.log_level)
    clock = CALLS.watch = Clock(clock_page, first.seconds)
    bounded(first)
    replies = Answers(first, clock)
    decode = msgspec.msgpack.Decoder(Ask).decode
    while (message := read(requests)) is not None:
        write(answers, _pack(replies.reply(decode(message))))
