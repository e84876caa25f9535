"""A correction, a problem and a batch, through the client that openapi-python-client writes.

Usage: python client.py URL PAYLOAD
"""

import io
import json
import sys
from pathlib import Path

from tramwright_client import AuthenticatedClient
from tramwright_client.api.corrections import correct, correct_batch
from tramwright_client.models import BatchLine, Correction, CorrectionRequest, Problem, Survey
from tramwright_client.types import File

url, payload = sys.argv[1:]
key = "none"  # any text, where the service asks for no key
request = CorrectionRequest.from_dict(json.loads(Path(payload).read_text(encoding="utf-8")))
too_few = Survey(readings=request.survey.readings[:2])

with AuthenticatedClient(base_url=url, token=key) as client:
    answer = correct.sync(client=client, body=request)
    assert isinstance(answer, Correction)

    refused = correct.sync(client=client, body=CorrectionRequest(machine=request.machine, survey=too_few))
    assert isinstance(refused, Problem)

    first = BatchLine(id="first", machine=request.machine, survey=request.survey)
    second = BatchLine(id="second", machine=request.machine.id or "machine", survey=too_few)
    sent = "".join(json.dumps(line.to_dict()) + "\n" for line in (first, second))
    batch = correct_batch.sync(client=client, body=File(io.BytesIO(sent.encode())))
    assert isinstance(batch, File)

print(
    json.dumps(
        {
            "total": answer.predicted.total,
            "expanded": answer.predicted.expanded,
            "travels": {move.adjuster: move.travel for move in answer.moves},
            "status": refused.status,
            "pointers": [fault.pointer for fault in refused.errors or ()],
            "lines": [json.loads(line) for line in batch.payload],
        }
    )
)
