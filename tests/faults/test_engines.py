"""The same lines get the same bytes whoever answers them: this process, workers, a cluster, the route."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from litestar.testing import TestClient

from batch_lines import cut_all, each_of_its_own, lines, requests
from processes import COMMAND, PATIENCE, cluster, free_port, joined
from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.splitter import DETAILS, Detail
from tramwright_service.catalogue import examples
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build

REGISTRY = build(BUILT_IN)


def asked() -> bytes:
    """Lines of machines that share a geometry and of machines that do not, interleaved; some cannot be answered."""
    off = requests(1)[0]
    off["survey"]["readings"][0]["x"] = 9999.0
    kinds = [
        requests(12),
        each_of_its_own(12),
        each_of_its_own(9, "twisted-frame"),
        requests(3, "minimum-zone"),
        requests(3, "bad-machine"),
        [one | {"id": name} for name, one in sorted(examples.corrections().items())],
        [off, {"id": "no survey"}, b"{"],
    ]
    most = max(map(len, kinds))
    return lines([own[turn] for turn in range(most) for own in kinds if turn < len(own)])


def by_command(out: Path, detail: Detail, *more: str) -> bytes:
    """Answers of the command, in the order of the lines."""
    source = out / "asked.ndjson"
    source.write_bytes(asked())
    command = [sys.executable, "-c", COMMAND, "batch", str(source), "--out", str(out / "told"), "--detail", detail]
    done = subprocess.run(
        [*command, "--lines-per-file", "10", *more], capture_output=True, timeout=PATIENCE, check=False
    )
    assert done.returncode == 2, done.stderr.decode()  # some lines could not be answered
    return b"".join(path.read_bytes() for path in sorted((out / "told").glob("*.ndjson")))


@pytest.mark.parametrize("detail", DETAILS)
def test_every_engine_says_the_same(detail: Detail, tmp_path: Path) -> None:
    alone = b"".join(
        LineAnswerer(REGISTRY).answer(chunk).body for chunk in cut_all(iter([asked()]), detail, 2**21, most_lines=1)
    )
    assert alone.count(b"\n") == asked().count(b"\n")
    (whole,) = cut_all(iter([asked()]), detail, 2**21, most_lines=1000)
    assert LineAnswerer(REGISTRY).answer(whole).body == alone
    with TestClient(create_app(Settings(workers=2), REGISTRY)) as client:
        told = client.post(
            "/v1/corrections/batch",
            params={"detail": detail},
            content=asked(),
            headers={"Content-Type": "application/x-ndjson"},
        ).content
    assert told[: told.rindex(b"\n", 0, -1) + 1] == alone
    assert by_command(tmp_path, detail, "--workers", "2") == alone


@pytest.mark.parametrize("detail", DETAILS)
def test_a_cluster_says_the_same(detail: Detail, tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    port = free_port()
    with cluster(port, str(tmp_path / "dask")):
        joined(port)
        told = by_command(tmp_path, detail, "--engine", f"dask://127.0.0.1:{port}")
    (whole,) = cut_all(iter([asked()]), detail, 2**21, most_lines=1000)
    assert told == LineAnswerer(REGISTRY).answer(whole).body
