"""Lines for plug-ins that do harm, in a batch from files: each is refused alone, on this host and on a cluster."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest

import dangerous
from dangerous import HARM, asking
from processes import COMMAND, PATIENCE, cluster, free_port, joined


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    """Where the dangerous plug-ins are installed."""
    dangerous.announce(tmp_path / "plug-ins")
    path = os.pathsep.join([str(tmp_path / "plug-ins"), str(Path(dangerous.__file__).parent), *sys.path])
    return {"PYTHONPATH": path, "TRAMWRIGHT_PLUG_IN_SECONDS": "10"}


def told(out: Path, environment: dict[str, str], asked: Path, *more: str) -> bytes:
    """What the command writes."""
    command = [sys.executable, "-c", COMMAND, "batch", str(asked), "--out", str(out), *more]
    done = subprocess.run(
        command, env={**os.environ, **environment}, capture_output=True, timeout=PATIENCE, check=False
    )
    assert done.returncode == 2, done.stderr.decode()  # some lines are refused
    return b"".join(path.read_bytes() for path in sorted(out.glob("*.ndjson")))


def test_a_cluster_refuses_the_lines_that_this_host_refuses_and_answers_all_others(
    tmp_path: Path, examples: Path, environment: dict[str, str]
) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    frame: Any = msgspec.json.decode((examples / "twisted-frame.json").read_bytes())
    asked = [frame, asking("exits", HARM), asking("exits"), asking("loops", HARM), frame | {"solve": {}}, frame]
    (tmp_path / "asked.ndjson").write_bytes(b"\n".join(map(msgspec.json.encode, asked)))
    port = free_port()
    with cluster(port, str(tmp_path / "dask"), **environment):
        joined(port)
        there = told(tmp_path / "there", environment, tmp_path / "asked.ndjson", "--engine", f"dask://127.0.0.1:{port}")
    here = told(tmp_path / "here", environment, tmp_path / "asked.ndjson", "--workers", "1")
    lines = [msgspec.json.decode(line) for line in there.splitlines()]
    assert [line["line"] for line in lines] == [1, 2, 3, 4, 5, 6]
    problems = {line["line"]: line["problem"] for line in lines if "problem" in line}
    assert {at: problem["status"] for at, problem in problems.items()} == {2: 502, 4: 504}
    assert "`exits` (dangerous-beds 0.3) failed in `influence`" in problems[2]["detail"]
    assert here == there
