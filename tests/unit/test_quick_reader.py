"""The quick reader reads what it would read of a request alone, whatever came before it."""

from __future__ import annotations

import json

import pytest

from tramwright_service.catalogue import examples
from tramwright_service.wire.quick_reader import QuickReader
from tramwright_solvers.mechanisms.registry import installed

REGISTRY = installed(with_plug_ins=False)
SHIPPED = examples.corrections()
MACHINE = json.dumps(SHIPPED["twisted-frame"]["machine"])
SURVEY = json.dumps(SHIPPED["twisted-frame"]["survey"])
OTHER = json.dumps(SHIPPED["tilted-bed"]["machine"])

READ = [
    f'{{"machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}}}',
    f'{{"machine": {MACHINE} ,"id":"n","survey":{SURVEY},"solve":{{"aim_for":0.05}}}}',
    f'{{"id":"n","machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"id": "other", "machine": {MACHINE}, "survey": {SURVEY}}}',
    f'{{"id":"a {{ \\"machine\\":{{","machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"solve":{{"aim_for":0.05}},"machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"survey":{SURVEY},"machine":{MACHINE}}}',
    f'{{"machine": {OTHER}, "survey": {SURVEY}}}',
]
REFUSED = [
    f'{{"machine": {MACHINE}, "survey": {SURVEY}, "machine": {OTHER}}}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}, "machine": {MACHINE}}}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}, "machine": {{}}}}',
    f'{{"machine": {MACHINE}{{}}, "survey": {SURVEY}}}',
    f'{{"id":"n","machine":{MACHINE},"survey":{SURVEY},"machine":{{}}}}',
    f'{{"machine":"a","machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"id":"x"machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"id":"x\\"machine":{MACHINE},"survey":{SURVEY}}}',
    f'{{"x\\"machine":{MACHINE},"survey":{SURVEY},"machine":{{}}}}',
    f'{{"id":["machine":{MACHINE}],"survey":{SURVEY},"machine":{{}}}}',
    f'["machine":{MACHINE},"survey":{SURVEY}]',
    f'{{"solve":{{"machine":{MACHINE}}},"machine":{{}},"survey":{SURVEY}}}',
    f'{{"machine": {MACHINE}5, "survey": {SURVEY}}}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}, "survey": {SURVEY}}}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}}}}}',
    f'{{"machine": {MACHINE}, "\\u0073urvey": {SURVEY}, "survey": {SURVEY}}}',
    f'{{"machine": {MACHINE}, "survey": {SURVEY}, "more": 1}}',
]


@pytest.mark.parametrize("before", READ)
@pytest.mark.parametrize("body", [*READ, *REFUSED])
def test_a_request_is_read_as_if_it_were_the_first(before: str, body: str) -> None:
    reader = QuickReader(REGISTRY)
    assert reader.read(before.encode()) is not None
    alone = QuickReader(REGISTRY).read(body.encode())
    assert (alone is None) == (body in REFUSED)
    assert reader.read(body.encode()) == alone
    assert reader.read(body.encode()) == alone
