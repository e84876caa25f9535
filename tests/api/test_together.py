"""Requests of one turn of the event loop: answered together, and each for itself."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from batch_lines import requests
from tramwright_service.execution import microbatch
from tramwright_service.execution.microbatch import Microbatch
from tramwright_service.wire.decode import Decoder
from tramwright_service.wire.encode import as_json
from tramwright_service.wire.media_types import JSON
from tramwright_service.wire.requests import CorrectionRequest, correction_request
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.batching import SurveyRequest, whole
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.mechanisms.three_screw import ThreeScrew
from tramwright_solvers.model.contract import Floats, Site
from tramwright_solvers.model.errors import Refused


class Broken(ThreeScrew, frozen=True, tag="broken"):
    """A plug-in with a fault of its own, on every machine."""

    @classmethod
    def suits(cls, machine: Any) -> bool:
        """Never picked unless it is named."""
        return False

    def influence(self, site: Site) -> Floats:
        """Divide by nothing."""
        raise ZeroDivisionError("a fault of the plug-in")


REGISTRY = build([*BUILT_IN, Broken])


def asked() -> list[SurveyRequest]:
    """Invented requests of one machine; the second names the broken solver, the third has a station off the bed."""
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(REGISTRY), REGISTRY)
    sent = [{key: one[key] for key in ("machine", "survey", "solve")} for one in requests(4)]
    good, broken, off, last = (decoder.decode(msgspec.json.encode(one), JSON.encode()) for one in sent)
    readings = [replace(off.survey.readings[0], x=9999.0), *off.survey.readings[1:]]
    return [
        SurveyRequest(good.machine, good.survey, good.solve),
        SurveyRequest(broken.machine, broken.survey, replace(broken.solve, with_=[Broken()])),
        SurveyRequest(off.machine, replace(off.survey, readings=readings), off.solve),
        SurveyRequest(last.machine, last.survey, last.solve),
    ]


def test_what_fails_for_one_request_costs_the_others_nothing() -> None:
    async def ask() -> list[Any]:
        together = Microbatch(REGISTRY, GeometryCache(), whole)
        return await asyncio.gather(*(together.ask(one, as_json) for one in asked()), return_exceptions=True)

    first, broken, off, last = asyncio.run(ask())
    assert isinstance(broken, ZeroDivisionError)
    assert isinstance(off, Refused)
    assert [fault.pointer for fault in off.faults] == ["/survey/readings/0/x"]
    for one, answer in ((asked()[0], first), (asked()[3], last)):
        assert answer == msgspec.json.encode(correct(one.machine, one.survey, one.solve, REGISTRY))


def test_a_fault_alone_is_told_as_it_is() -> None:
    async def ask() -> None:
        await Microbatch(REGISTRY, GeometryCache(), whole).ask(asked()[1], as_json)

    with pytest.raises(ZeroDivisionError):
        asyncio.run(ask())


def test_what_arrives_while_a_long_answer_is_made_comes_next_if_it_is_quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three that take a third of a second each, by the estimate; a quick one arrives while each of them is answered."""
    turns = list[list[str]]()
    one = asked()[0]

    def called(name: str) -> SurveyRequest:
        return one._replace(machine=replace(one.machine, id=name))

    async def ask() -> None:
        together, quick = Microbatch(REGISTRY, GeometryCache(), whole), list[asyncio.Future[bytes]]()

        def answer(requests: list[SurveyRequest], *_: object) -> list[Exception]:
            turns.append([one.machine.id for one in requests])
            if turns[-1] != ["quick"]:
                quick.append(together.ask(called("quick"), as_json, 0.001))
            return [LookupError("no answer is wanted") for _ in requests]

        monkeypatch.setattr(microbatch, "answer_many", answer)
        long = [together.ask(called(name), as_json, 0.3) for name in ("first", "second", "third")]
        await asyncio.gather(*long, return_exceptions=True)
        await asyncio.gather(*quick, return_exceptions=True)

    asyncio.run(ask())
    assert turns == [["first"], ["quick"], ["second"], ["quick"], ["third"], ["quick"]]
