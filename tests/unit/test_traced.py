"""What is stored of a correction is the same solved alone, taken from the whole, or read from its JSON."""

from __future__ import annotations

import msgspec
import pytest

from tramwright_service.catalogue import examples
from tramwright_service.wire.encode import as_json
from tramwright_service.wire.requests import CorrectionRequest, correction_request
from tramwright_solvers.correction.api import correct, reduce_stack
from tramwright_solvers.mechanisms.registry import installed
from tramwright_solvers.results.correction import Correction, Traced

REGISTRY = installed(with_plug_ins=False)
SHIPPED = examples.corrections()


@pytest.mark.parametrize("name", [name for name, sent in SHIPPED.items() if "done" not in sent])
def test_a_part_of_a_correction_is_that_of_the_whole(name: str) -> None:
    asked: CorrectionRequest[object] = msgspec.convert(SHIPPED[name], correction_request(REGISTRY))
    whole = correct(asked.machine, asked.survey, asked.solve, REGISTRY)
    (alone,) = reduce_stack(asked.machine, [asked.survey], asked.solve, REGISTRY).traced()
    read = Traced.of(msgspec.json.decode(as_json(whole), type=Correction))
    assert as_json(alone.moves) == as_json(Traced.of(whole).moves) == as_json(read.moves)
    assert as_json(alone) == as_json(Traced.of(whole)) == as_json(read)
    assert alone.stations == [(one.x, one.y, one.before) for one in whole.predicted.stations]
