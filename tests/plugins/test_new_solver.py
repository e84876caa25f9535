"""``tramwright solver new`` and ``check``: what is written passes its kit, what is spoilt is told with its place."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from litestar.testing import TestClient

import dangerous
from processes import COMMAND
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.plug_ins.described import Announced
from tramwright_solvers.mechanisms.registry import build

NAME, MODULE = "rocking-bed", "rocking_bed"
SOURCE = f"{NAME}/{MODULE}.py"


def run(folder: Path, *arguments: str, program: Sequence[str] = ("-c", COMMAND)) -> subprocess.CompletedProcess[str]:
    path = os.pathsep.join([str(folder / NAME), str(folder / "installed"), *sys.path])
    own = {**os.environ, "PYTHONPATH": path}
    return subprocess.run(
        [sys.executable, *program, *arguments], cwd=folder, env=own, capture_output=True, text=True, check=False
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a new solver, which is installed."""
    done = run(tmp_path, "solver", "new", NAME)
    assert done.returncode == 0, done.stderr
    dangerous.install(tmp_path / "installed", f"tramwright-{NAME} 0.1", {NAME: f"{MODULE}:RockingBed"})
    return tmp_path


def test_what_is_written_passes_its_own_tests_and_the_kit_at_once(folder: Path) -> None:
    own = run(folder, "-q", "-p", "no:cacheprovider", NAME, program=("-m", "pytest"))
    assert (own.returncode, "2 passed" in own.stdout) == (0, True), own.stdout
    checked = run(folder, "solver", "check", NAME)
    assert (checked.returncode, checked.stdout) == (0, f"`{NAME}` keeps its contract on `lapwing-01`.\n")


def test_what_is_written_is_built_and_announces_itself(folder: Path) -> None:
    wheel = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "-q",
        "--no-deps",
        "--no-build-isolation",
        "-w",
        str(folder),
        f"./{NAME}",
    ]
    subprocess.run(wheel, cwd=folder, check=True, capture_output=True)
    (built,) = folder.glob("*.whl")
    listed = run(folder, "-l", str(built), program=("-m", "zipfile"))
    assert {f"{MODULE}.py", f"{MODULE}.json"} <= {line.split()[0] for line in listed.stdout.splitlines()}


def test_the_service_answers_with_it_and_shows_its_example(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(folder / NAME), *sys.path]))
    plug_in = Announced(NAME, f"{MODULE}:RockingBed", f"tramwright-{NAME} 0.1")
    app = create_app(Settings(log_level="error"), build(BUILT_IN), plug_ins=[plug_in])
    with TestClient(app) as client:
        shown = client.get(f"/v1/solvers/{NAME}").json()
        assert (shown["usable"], shown["origin"]) == (True, f"tramwright-{NAME} 0.1")
        answer = client.post("/v1/corrections", json=shown["example"]).json()
    assert answer["solver_versions"] == {NAME: "0.1"}


SPOILT = {
    "share])": ("2.0 * share])", "`influence`: partition of unity: "),
    "support.effort or self.effort": ("-1.0", "`adjusters`: adjusters: the effort of `front` must be positive"),
    "/machine/supports/{place}": ("/machine/screws/{place}", "`adjusters`: adjusters: the pointer of `front`"),
    '"exactly two `supports`"': ('""', "`RockingBed`: declaration: `needs` must say"),
}


@pytest.mark.parametrize("right", SPOILT)
def test_what_is_wrong_is_said_with_the_line_of_the_method(folder: Path, right: str) -> None:
    wrong, said = SPOILT[right]
    source = folder / SOURCE
    text = source.read_text()
    assert text.count(right) == 1
    source.write_text(text.replace(right, wrong))
    checked = run(folder, "solver", "check", NAME)
    assert checked.returncode == 1
    assert said in checked.stdout
    place, number = checked.stdout.splitlines()[0].split(",")[0].split(":")
    method = said.split("`")[1]
    assert place == f"{MODULE}.py"
    assert any(method in line for line in source.read_text().splitlines()[int(number) - 1 : int(number) + 1])


def test_a_machine_that_it_does_not_suit_is_refused_where_it_says(folder: Path, examples: Path) -> None:
    checked = run(folder, "solver", "check", NAME, str(examples / "tilted-bed.json"))
    assert checked.returncode == 1
    assert "needs exactly two supports" in checked.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("new", "Rocking"), "small letters"),
        (("new", "three-screw"), "built in"),
        (("new", NAME), "already"),
        (("check", "nobody"), f"Plug-ins installed here: `{NAME}`"),
        (("check", NAME, "installed"), "is a directory"),
    ],
)
def test_a_wrong_command_is_explained(folder: Path, arguments: tuple[str, ...], said: str) -> None:
    told = run(folder, "solver", *arguments)
    assert told.returncode == 2
    assert said in " ".join(told.stderr.split())
