"""What deploy/ promises, checked against what the rest of the repository says.

No container engine is needed: the recipe is read as text, and the health check in it is run as the program it is.
"""

import http.server
import json
import re
import shutil
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest
from litestar.testing import TestClient

from tramwright_service.execution.metrics import Metrics
from tramwright_service.http.app import create_app
from tramwright_service.http.connections import Watch
from tramwright_service.settings import PREFIX, Settings
from tramwright_service.wire.stored import STANDINGS
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
PORT = "8017"
BLAS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")


def name_of(requirement: str) -> str:
    """The distribution's name as package indexes compare it: lower case, one hyphen."""
    found = re.match(r"[A-Za-z0-9._-]+", requirement)
    assert found, requirement
    return re.sub(r"[-_.]+", "-", found[0]).lower()


def numbers(version: str) -> tuple[int, ...]:
    """The release part of a version; enough to compare the plain bounds that pyproject.toml uses."""
    return tuple(int(part) for part in re.findall(r"\d+", version))


def allowed(version: str, requirement: str) -> bool:
    bounds = re.findall(r"(>=|<)\s*([\d.]+)", requirement)
    assert bounds, f"{requirement!r} has no bound that this test understands"
    return all(
        numbers(version) >= numbers(bound) if sign == ">=" else numbers(version) < numbers(bound)
        for sign, bound in bounds
    )


def pins() -> dict[str, str]:
    lines = (DEPLOY / "constraints.txt").read_text().splitlines()
    wanted = [line for line in lines if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[a-z0-9-]+==[\w.]+", line) for line in wanted), "only name==version lines"
    pairs = dict(line.split("==") for line in wanted)
    assert len(pairs) == len(wanted), "a name is pinned twice"
    return pairs


def requirements() -> list[str]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)
    extras = [line for group in project["project"]["optional-dependencies"].values() for line in group]
    every = [*project["project"]["dependencies"], *extras, *project["build-system"]["requires"]]
    return [line for line in every if name_of(line) != "tramwright"]


@pytest.mark.parametrize(
    ("version", "requirement", "expected"),
    [
        ("2.25.0", "a>=2.25,<3", True),
        ("3.0", "a>=2.25,<3", False),
        ("2.9", "a>=2.25,<3", False),
        ("0.22", "a>=0.22", True),
    ],
)
def test_the_comparison_below_compares_numbers_not_text(version: str, requirement: str, expected: bool) -> None:
    assert allowed(version, requirement) is expected


@pytest.mark.parametrize("requirement", requirements())
def test_every_requirement_is_pinned_within_its_bounds(requirement: str) -> None:
    pinned = pins()
    assert name_of(requirement) in pinned
    assert allowed(pinned[name_of(requirement)], requirement)


def instructions() -> list[tuple[str, str]]:
    """(instruction, rest) pairs of the recipe, comments dropped and continued lines joined."""
    lines = [line for line in (DEPLOY / "Containerfile").read_text().splitlines() if not line.startswith("#")]
    whole = "\n".join(lines).replace("\\\n", " ")
    return [(line.split()[0], line.split(maxsplit=1)[1].strip()) for line in whole.splitlines() if line.strip()]


def final_stage() -> list[tuple[str, str]]:
    every = instructions()
    last = max(index for index, (word, _) in enumerate(every) if word == "FROM")
    return every[last:]


def one(stage: list[tuple[str, str]], word: str) -> str:
    found = [rest for name, rest in stage if name == word]
    assert len(found) == 1, f"{word} occurs {len(found)} times"
    return found[0]


def health_check() -> list[str]:
    command: list[str] = json.loads(one(final_stage(), "HEALTHCHECK").partition("CMD")[2])
    return command


def test_the_image_runs_as_a_numbered_user_that_is_not_root() -> None:
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", one(final_stage(), "USER"))


def test_the_image_needs_no_shell_to_run() -> None:
    stage = final_stage()
    assert not [rest for word, rest in stage if word == "RUN"]
    started = json.loads(one(stage, "ENTRYPOINT")) + json.loads(one(stage, "CMD"))
    assert started[1] == "serve"
    assert started[started.index("--port") + 1] == PORT == one(stage, "EXPOSE")


def test_the_image_gives_each_worker_one_blas_thread() -> None:
    assert {f"{name}=1" for name in BLAS} <= set(one(final_stage(), "ENV").split())


def test_the_image_installs_a_wheel_under_the_constraints_and_copies_only_what_exists() -> None:
    every = instructions()
    installs = [part for word, rest in every if word == "RUN" for part in rest.split("&&") if "pip install" in part]
    assert installs
    assert all("-c deploy/constraints.txt" in part for part in installs)
    assert any(".whl" in part for part in installs)
    copied = [rest.split()[:-1] for word, rest in every if word == "COPY" and not rest.startswith("--from")]
    missing = [source for sources in copied for source in sources if not (ROOT / source).exists()]
    assert not missing


def test_what_the_wheel_is_built_from_is_copied_into_the_image() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    needed = {Path(source).parts[0] for source in [*wheel["packages"], *wheel["force-include"]]}
    copied = {source for word, rest in instructions() if word == "COPY" for source in rest.split()}
    assert {*needed, "pyproject.toml", project["project"]["readme"]} <= copied


@contextmanager
def answering(status: int) -> Iterator[str]:
    """A server on a free port of this host whose /health/ready answers with one status; 404 elsewhere."""

    class Answer(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status if self.path == "/health/ready" else 404)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Quiet: the test's own outcome is the report."""

    with http.server.HTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield str(server.server_port)
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.parametrize(("status", "healthy"), [(200, True), (503, False), (404, False)])
def test_the_health_check_follows_readiness(status: int, healthy: bool) -> None:
    python, *rest = health_check()
    assert python.startswith("/usr/local/lib/tramwright/")
    with answering(status) as port:
        command = [part.replace(f":{PORT}/", f":{port}/") for part in rest]
        assert command != rest
        run = subprocess.run([sys.executable, *command], capture_output=True, check=False)
    assert (run.returncode == 0) is healthy


def unit_values(key: str) -> list[str]:
    lines = (DEPLOY / "tramwright.service").read_text().splitlines()
    return [line.partition("=")[2] for line in lines if line.startswith(f"{key}=")]


def test_the_unit_listens_on_this_host_only_and_gives_one_blas_thread() -> None:
    (start,) = unit_values("ExecStart")
    words = start.split()
    assert words[1] == "serve"
    assert words[words.index("--host") + 1] == "127.0.0.1"
    assert words[words.index("--port") + 1] == PORT
    assert {f"{name}=1" for name in BLAS} <= {word for value in unit_values("Environment") for word in value.split()}


@pytest.mark.parametrize("given", ["unit", "image"])
def test_a_map_is_drawn_for_a_user_without_a_home_and_nothing_is_said_of_it(given: str, tmp_path: Path) -> None:
    told = unit_values("Environment") if given == "unit" else [one(final_stage(), "ENV")]
    environment = dict(word.split("=", 1) for value in told for word in value.replace("=/tmp", f"={tmp_path}").split())
    drawn = subprocess.run(
        [sys.executable, "-c", "import tramwright_service.maps.figure"],
        env={"HOME": "/dev/null", **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (drawn.returncode, drawn.stderr) == (0, "")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed on this host")
def test_the_unit_is_accepted_and_well_confined(tmp_path: Path) -> None:
    # The checker wants the program to exist, so this interpreter stands in for the installed command.
    text = (DEPLOY / "tramwright.service").read_text()
    unit = tmp_path / "tramwright.service"
    unit.write_text(text.replace("/usr/local/lib/tramwright/bin/tramwright ", f"{sys.executable} "))
    verified = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False)
    assert (verified.returncode, verified.stderr) == (0, "")
    # Exposure on the checker's scale of 0 (confined) to 10 (unconfined), which it takes times ten: at most 2.0.
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", "--threshold=20", unit],
        capture_output=True,
        text=True,
        check=False,
    )
    assert judged.returncode == 0, judged.stdout[-200:] + judged.stderr


def test_every_test_that_the_deployment_readme_names_is_there() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", (DEPLOY / "README.md").read_text())
    assert len(named) > 20
    missing = [(path, name) for path, name in named if f"def {name}(" not in (ROOT / path).read_text()]
    assert not missing


@pytest.fixture(scope="module")
def every_metric(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """The names of all metrics that a service with a store shows; those of the process apart."""
    settings = Settings(log_level="error", store=str(tmp_path_factory.mktemp("metrics") / "farm.db"))
    metrics = Metrics(settings)
    Watch(settings, metrics)  # the server's own
    with TestClient(create_app(settings, build(BUILT_IN), metrics)) as client:
        shown = client.get("/metrics").text
    return set(re.findall(r"^# TYPE (tramwright_\w+?)(?:_total)? (?!gauge\n\S+_created)", shown, re.MULTILINE))


def test_the_deployment_readme_lists_every_metric(every_metric: set[str]) -> None:
    told = set(re.findall(r"^\| `(tramwright_\w+?)(?:_total)?` \|", (DEPLOY / "README.md").read_text(), re.MULTILINE))
    assert told == every_metric


def test_alerts_ask_for_metrics_that_there_are(every_metric: set[str]) -> None:
    rules = (DEPLOY / "alerts.yml").read_text()
    asked = set(
        re.findall(r"\btramwright_\w+?(?=_total\b|\b)", "".join(re.findall(r"^ +expr: (.*)$", rules, re.MULTILINE)))
    )
    assert asked
    assert asked <= every_metric
    (states,) = {frozenset(re.findall(r'standing="([\w-]+)"', rules))}
    assert states <= {*STANDINGS}


@pytest.mark.skipif(shutil.which("promtool") is None, reason="promtool (Debian: `prometheus`) is not installed here")
def test_alerts_fire_when_they_should() -> None:
    for words in (("check", "rules", "alerts.yml"), ("test", "rules", "alerts_test.yml")):
        told = subprocess.run(["promtool", *words], cwd=DEPLOY, capture_output=True, text=True, check=False)
        assert told.returncode == 0, told.stdout + told.stderr


def test_the_deployment_readme_lists_every_setting_with_its_default_and_no_other() -> None:
    table = re.findall(r"^\| `(TRAMWRIGHT_\w+)` \| (\S+) \|", (DEPLOY / "README.md").read_text(), flags=re.MULTILINE)
    defaults = msgspec.to_builtins(Settings())
    assert defaults
    assert dict(table) == {PREFIX + name.upper(): str(value) for name, value in defaults.items()}
