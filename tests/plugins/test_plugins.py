"""Plug-ins as strangers ship them: built as wheels, installed into a fresh environment beside the service."""

import json
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

import msgspec
import numpy as np
import pytest

from example_plug_ins import POINTS, RAILS, machine, survey

HERE = Path(__file__).parent

SCRIPT = """
import json, msgspec
from litestar.testing import TestClient
from tramwright_service.http.app import create_app
from tramwright_solvers.conformance import check
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.mechanisms.registry import installed

payload = json.loads(r'''PAYLOAD''')
EXAMPLES = json.loads(r'''EXAMPLES''')
BATCH = {"Content-Type": "application/x-ndjson"}


def asked(client, name, one):
    # all that is asked over HTTP
    correction = {"machine": one["machine"], "survey": one["surveys"][0]}
    with_rails = correction | {"machine": one["machine"] | {"rails": one["rails"]}}
    named = with_rails | {"solve": {"with": [{"solver": name}, {"solver": "rail-shim"}], "criterion": "minimum-zone"}}
    lines = chr(10).join(json.dumps(line) for line in (correction, named, correction))
    batch = client.post("/v1/corrections/batch?detail=full", content=lines, headers=BATCH).text
    plan = {"machine": one["machine"]}
    before, after = one["surveys"]
    return {
        "alone": client.post("/v1/corrections", json=correction).json(),
        "both": client.post("/v1/corrections", json=named).json(),
        "text": client.post("/v1/corrections", json=correction, headers={"Accept": "text/plain"}).text,
        "batch": [json.loads(line) for line in batch.splitlines()],
        "survey-plans": client.post("/v1/survey-plans", json=plan).json(),
        "comparisons": client.post("/v1/comparisons", json=plan | {"before": before, "after": after}).json(),
        "typo": client.post("/v1/corrections", json=correction | {"machine": one["machine"] | {
            "extras": {name: {"no-such-member": 1}}}}).json(),
    }


MISTYPED = {"solver": "hinged-bed", "hinge": 1}
ON_THE_LINE = {"solver": "hinged-bed", "hinge_y": 210}
BOUND = payload["machine"] | {"supports": [payload["machine"]["supports"][0] | {"travel": [-0.05, 0.05]},
                                           payload["machine"]["supports"][1]]}
registry = installed()
machine = msgspec.convert(payload["machine"], Machine)
check(registry.solvers["hinged-bed"](hinge_y=10.0), machine)
with TestClient(create_app()) as client:
    print(json.dumps({
        "solvers": client.get("/v1/solvers").json(),
        "one_extras": client.get("/v1/solvers/hung-bed").json()["extras"],
        "one": client.get("/v1/solvers/hinged-bed").json(),
        "schema": client.get("/openapi.json").json()["components"]["schemas"],
        "answer": client.post("/v1/corrections", json=payload).json(),
        "bound": client.post("/v1/corrections", json=payload | {"machine": BOUND}).json(),
        "on_the_line": client.post("/v1/corrections", json=payload | {"solve": {"with": [ON_THE_LINE]}}).json(),
        "examples": {name: asked(client, name, one) for name, one in EXAMPLES.items()},
        "typo": client.post("/v1/corrections", json=payload | {"solve": {"with": [MISTYPED]}}).json(),
    }))
"""

# invented: a bed hinged along y = 10, 0.3 mm low at y = 410, both screws on leads of 4 mm
PAYLOAD = {
    "machine": {
        "id": "avocet-01",
        "bed": {"x": [0, 400], "y": [0, 420]},
        "supports": [
            {"id": "rear-left", "x": 50, "y": 410, "screw": {"lead": 4}},
            {"id": "rear-right", "x": 350, "y": 210, "screw": {"lead": 4}},
        ],
    },
    "survey": {
        "readings": [
            {"x": x, "y": y, "value": -0.3 * (y - 10) / 400} for y in (10, 110, 210, 310, 410) for x in (20, 200, 380)
        ]
    },
    "solve": {"with": [{"solver": "hinged-bed", "hinge_y": 10}], "aim_for": 0},
}


def example(name: str, gap: np.ndarray, change: np.ndarray) -> dict:
    surveys = [msgspec.to_builtins(survey(one)) for one in (gap, gap + change)]
    readings = [{"taken_at": None, "readings": one["readings"]} for one in surveys]
    return {"machine": msgspec.to_builtins(machine(name)), "rails": RAILS, "surveys": readings}


# invented: a bed that is low at the rear, and gets lower there
EXAMPLES = {
    name: example(name, 0.4e-3 * POINTS[:, 0] - 0.8e-3 * POINTS[:, 1], 0.1e-3 * POINTS[:, 0])
    for name in ("tiled-bed", "hung-bed", "tilting-beam")
}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> dict:
    """Build both packages, install them into an environment of their own, and serve."""
    work = tmp_path_factory.mktemp("plugins")
    wheels = work / "wheels"
    build = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", str(wheels)]
    packages = ("hinged_bed", "broken_beds", "tiled_bed", "hung_bed", "tilting_beam")
    for package in packages:  # from copies, so that a build never leaves litter in the source tree
        shutil.copytree(HERE / package, work / package)
    subprocess.run([*build, *(str(work / package) for package in packages)], check=True)
    venv.create(work / "env", with_pip=False)
    python = work / "env/bin/python"
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    target = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--target", site]
    subprocess.run([*target, *map(str, wheels.glob("*.whl"))], check=True)
    # the service and its dependencies come from the environment that runs the tests
    Path(site, "beside.pth").write_text("\n".join(p for p in sys.path if p and p != str(HERE)) + "\n")
    env = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST")}
    script = SCRIPT.replace("PAYLOAD", json.dumps(PAYLOAD)).replace("EXAMPLES''')", f"{json.dumps(EXAMPLES)}''')")
    done = subprocess.run([python, "-c", script], capture_output=True, text=True, env=env, cwd=work, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_plug_in_is_found_listed_and_documented_with_its_own_options(served):
    listed = {row["name"]: row for row in served["solvers"]["solvers"]}
    assert listed["hinged-bed"]["usable"] is True
    assert listed["hinged-bed"]["version"] == "1.2"
    assert "tramwright-hinged-bed 1.2" in json.dumps(listed["hinged-bed"])
    assert "hinge_y" in json.dumps(served["one"])
    assert "hinge_y" in json.dumps(served["schema"])


def test_a_plug_in_solves_and_its_condition_holds(served):
    answer = served["answer"]
    travels = {move["adjuster"]: move["travel"] for move in answer["moves"]}
    assert answer["predicted"]["total"] == pytest.approx(0.0, abs=1e-9)
    # derived: 0.3 mm over 400 mm of arm; rear-right stands at half the arm
    assert travels == pytest.approx({"rear-left": 0.3, "rear-right": 0.15}, abs=1e-9)
    assert answer["solver_versions"] == {"hinged-bed": "1.2"}


def test_a_mistyped_option_of_a_plug_in_is_refused_where_it_stands(served):
    assert served["typo"]["status"] == 422
    assert served["typo"]["errors"][0]["pointer"] == "/solve/with/0/hinge"


def test_what_the_user_says_of_a_support_is_kept_though_the_plug_in_never_looks_at_it(served):
    travels = {move["adjuster"]: move["travel"] for move in served["bound"]["moves"]}
    # derived: the bound of one, and half of it for the other, which stands at half the arm
    assert travels == pytest.approx({"rear-left": 0.05, "rear-right": 0.025}, abs=1e-9)


def test_a_fault_in_an_option_of_a_plug_in_points_at_it_where_it_stands_in_the_request(served):
    assert served["on_the_line"]["errors"][0]["pointer"] == "/solve/with/0/hinge_y"


def test_what_a_machine_describes_for_one_solver_alone_is_in_the_document(served):
    extras = served["schema"]["Machine"]["properties"]["extras"]
    assert sorted(extras["properties"]) == ["hung-bed", "tiled-bed", "tilting-beam"]
    assert extras["additionalProperties"] is False
    bush = served["schema"][extras["properties"]["hung-bed"]["$ref"].rpartition("/")[2]]
    assert "throw" in bush["required"]
    assert bush["additionalProperties"] is False
    assert "stands" in json.dumps(served["one_extras"])


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_is_answered_in_every_form_that_is_served(served, name):
    told = served["examples"][name]
    assert told["alone"]["solver_versions"] == {name: "1.0"}
    assert told["both"]["solver_versions"] == {name: "1.0", "rail-shim": "1.0"}
    *lines, summary = told["batch"]
    answers = [{key: value for key, value in line.items() if key not in ("id", "line")} for line in lines]
    assert answers == [told["alone"], told["both"], told["alone"]]
    assert "summary" in summary
    for question in ("survey-plans", "comparisons"):
        assert told[question]["solver_versions"] == {name: "1.0"}
    assert all(move["adjuster"] in told["text"] for move in told["alone"]["moves"])
    for move in told["alone"]["moves"]:
        if move["counted"]:
            assert f"{move['counted']['unit']} {move['counted']['way']}" in told["text"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_mistyped_member_of_extras_is_refused_where_it_stands(served, name):
    problem = served["examples"][name]["typo"]
    assert problem["status"] == 422
    assert problem["errors"][0]["pointer"].startswith(f"/machine/extras/{name}")


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("raises-at-import", "a shared library is missing"),
        ("old-contract", "contract 1; this service speaks contract 2: see what has changed"),
        ("says-no-contract", "add `contract: ClassVar[int] = 2`"),
        ("takes-a-name", "`three-screw` is taken"),
    ],
)
def test_a_broken_plug_in_is_listed_with_its_reason_and_stops_nothing(served, name, reason):
    broken = [row for row in served["solvers"]["solvers"] if not row["usable"] and row["name"] == name]
    assert len(broken) == 1
    assert reason in broken[0]["reason"]


def test_the_plug_in_fits_on_a_page():
    lines = (HERE / "hinged_bed/hinged_bed.py").read_text().splitlines()
    assert len([line for line in lines if line.strip()]) <= 45
