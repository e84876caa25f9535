"""Plug-ins that break the contract: the answer names them, and nobody else's answer changes."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from hostile import BROKEN, UNUSABLE, Sly, Sound
from tramwright_service.execution.plug_ins import hosts
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.plug_ins.described import Announced
from tramwright_solvers.mechanisms.registry import Registry, build
from tramwright_solvers.model.contract import Mechanism

DIST = SimpleNamespace(name="hostile-beds", version="0.7")
CORRECTIONS = "/v1/corrections"


def entry(kind: type[Mechanism]) -> Any:
    return SimpleNamespace(name=kind.name(), value=kind.__name__, dist=DIST, load=lambda: kind)


@pytest.fixture(scope="module")
def registry() -> Registry:
    return build(BUILT_IN, [entry(kind) for kind in (*BROKEN, *UNUSABLE, Sly)])


@pytest.fixture(scope="module", autouse=True)
def _importable() -> Iterator[None]:
    """Let worker processes find the plug-ins, as they find those installed."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("PYTHONPATH", os.pathsep.join([str(Path(__file__).parents[1]), *sys.path]))
        yield


@pytest.fixture(scope="module")
def client(registry: Registry) -> Iterator[TestClient[Any]]:
    with TestClient(application(*BROKEN, *UNUSABLE, Sly), raise_server_exceptions=False) as served:
        yield served


def application(*kinds: type[Mechanism]) -> Litestar:
    """The service with these plug-ins beside the built-in solvers."""
    plug_ins = [Announced(kind.name(), f"hostile:{kind.__name__}", f"{DIST.name} {DIST.version}") for kind in kinds]
    return create_app(Settings(log_level="error"), build(BUILT_IN), plug_ins=plug_ins)


def asking(name: str) -> dict[str, Any]:
    """Ask a solver to tilt a bed on two screws; invented."""
    supports = [{"id": "left", "x": 0, "y": 0}, {"id": "right", "x": 0, "y": 400}]
    readings = [{"x": x, "y": y, "value": -0.001 * y} for x in (0, 200, 400) for y in (0, 100, 300, 400)]
    machine = {"bed": {"x": [0, 400], "y": [0, 400]}, "supports": supports}
    return {"machine": machine, "survey": {"readings": readings}, "solve": {"with": [{"solver": name}]}}


@pytest.mark.parametrize(("broken", "said"), BROKEN.items(), ids=[kind.name() for kind in BROKEN])
def test_a_fault_of_a_plug_in_names_it_its_distribution_the_method_and_the_fault(
    client: TestClient[Any], broken: type[Mechanism], said: tuple[str, str]
) -> None:
    answer = client.post(CORRECTIONS, json=asking(broken.name()))
    method, fault = said
    problem = answer.json()
    assert (answer.status_code, problem["type"]) == (502, "/docs/problems#plug-in-fault")
    assert f"`{broken.name()}` (hostile-beds 0.7) failed in `{method}`" in problem["detail"]
    assert fault in problem["detail"]
    assert [fault["pointer"] for fault in problem["errors"]] == ["/solve/with/0"]


@pytest.mark.parametrize(("unusable", "reason"), UNUSABLE.items(), ids=[kind.name() for kind in UNUSABLE])
def test_a_plug_in_that_cannot_say_what_it_suits_is_listed_with_the_reason(
    client: TestClient[Any], unusable: type[Mechanism], reason: str
) -> None:
    listed = {row["name"]: row for row in client.get("/v1/solvers").json()["solvers"]}[unusable.name()]
    assert listed["usable"] is False
    assert "`suits`" in listed["reason"]
    assert reason in listed["reason"]


def test_readiness_is_that_of_the_built_in_solvers(client: TestClient[Any]) -> None:
    assert client.get("/health/ready").status_code == 200


def test_built_in_solvers_answer_as_if_the_plug_ins_were_not_there(client: TestClient[Any], examples: Path) -> None:
    payload = msgspec.json.decode((examples / "twisted-frame.json").read_bytes())
    payload["machine"]["id"] = "sly"
    with TestClient(create_app(Settings(log_level="error"), build(BUILT_IN))) as alone:
        assert client.post(CORRECTIONS, json=payload).content == alone.post(CORRECTIONS, json=payload).content


def test_a_line_of_a_batch_that_meets_a_fault_is_refused_alone(client: TestClient[Any]) -> None:
    lines = [asking("nan"), asking("leaves"), asking("effort")]
    lines[2]["solve"]["with"] = []
    lines[2]["machine"]["supports"].append({"id": "rear", "x": 400, "y": 0})
    sent = b"\n".join(map(msgspec.json.encode, lines))
    told = client.post(CORRECTIONS + "/batch", content=sent, headers={"Content-Type": "application/x-ndjson"})
    first, second, third, *_ = map(msgspec.json.decode, told.content.splitlines())
    assert "`nan` (hostile-beds 0.7) failed in `influence`" in first["problem"]["detail"]
    assert "`leaves` (hostile-beds 0.7) failed in `influence`" in second["problem"]["detail"]
    assert third["verdict"]


def test_a_guard_arrives_in_another_process(registry: Registry) -> None:
    arrived = pickle.loads(pickle.dumps(registry))
    assert list(arrived.solvers) == list(registry.solvers)
    assert arrived.solvers["nan"] is not registry.solvers["nan"]
    assert arrived.origins == registry.origins
    assert arrived.unusable == registry.unusable
    assert all(arrived.solvers[kind.name()] is kind for kind in BUILT_IN)


def test_a_sound_plug_in_is_picked_where_it_suits() -> None:
    with TestClient(application(Sound)) as served:
        asked = asking("sound")
        named = served.post(CORRECTIONS, json=asked).json()
        asked["solve"] = {}
        picked = served.post(CORRECTIONS, json=asked).json()
        sent = msgspec.json.encode(asked)
        lines = served.post(CORRECTIONS + "/batch", content=sent, headers={"Content-Type": "application/x-ndjson"})
    line = msgspec.json.decode(lines.content.splitlines()[0])
    assert named["moves"] == picked["moves"] == line["moves"] != []
    assert picked["solver_versions"] == {"sound": "1.0"}


def test_more_sets_of_plug_ins_than_there_is_room_for_are_answered_in_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hosts, "MOST_SETS", 1)
    with TestClient(application(Sound, Sly)) as served:
        answers = [served.post(CORRECTIONS, json=asking(name)) for name in ("sound", "sly", "sound", "sly")]
    assert [one.status_code for one in answers] == [200] * 4


def test_the_serving_process_never_imports_a_plug_in() -> None:
    code = (
        "import sys; from litestar.testing import TestClient; from tramwright_service.http.app import create_app;"
        "from tramwright_service.settings import Settings;"
        "from tramwright_solvers.mechanisms.plug_ins.described import Announced;"
        "app = create_app(Settings(log_level='error'), plug_ins=[Announced('sound', 'hostile:Sound', 'beds 1')]);"
        "client = TestClient(app).__enter__();"
        f"assert client.post('{CORRECTIONS}', json={asking('sound')!r}).status_code == 200;"
        "assert 'sound' in client.get('/openapi.json').text;"
        "print('hostile' in sys.modules); client.__exit__()"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout == "False\n"


@pytest.mark.parametrize("hangs", ["time.sleep(600)", "sum(range(10**15))"])
def test_one_that_hangs_at_import_with_its_clock_stopped_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hangs: str
) -> None:
    """The kernel's timer is ignored here, so the process is ended from outside."""
    (tmp_path / "stopped.py").write_text(
        f"import signal, time\nsignal.signal(signal.SIGALRM, signal.SIG_IGN)\n{hangs}\n"
    )
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *sys.path]))
    monkeypatch.setattr(hosts, "SLACK", 1.0)
    plug_ins = [Announced("stopped", "stopped:Bed", "beds 1")]
    app = create_app(Settings(log_level="error", plug_in_seconds=2), build(BUILT_IN), plug_ins=plug_ins)
    with TestClient(app) as served:
        listed = {row["name"]: row for row in served.get("/v1/solvers").json()["solvers"]}["stopped"]
        assert served.get("/health/ready").status_code == 200
    assert listed["usable"] is False
    assert "failed in `loading`: it took longer than the 2 s" in listed["reason"]
