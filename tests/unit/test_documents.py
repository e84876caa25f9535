"""What the documents show is what the program does: the commands in README and guides are run, the outputs compared."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from copy import deepcopy
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from click.testing import CliRunner

from processes import free_port, listens, wait_for
from tramwright_service.catalogue import guides
from tramwright_service.catalogue.endpoints import QUESTIONS
from tramwright_service.catalogue.examples import CORRECTIONS
from tramwright_service.cli.main import main

ROOT = Path(__file__).parents[2]
GUIDES = sorted((ROOT / "openapi/guides").glob("*.md"))
EXAMPLES = sorted((ROOT / "openapi/examples").rglob("*.json"))
KEYED = "access"
"""The guide whose service asks for keys."""
SERVED = "http://127.0.0.1:8017"

FENCE = re.compile(r"^```(\w*)\n(.*?)^```\n(?:```(?:text)?\n(.*?)^```\n)?", re.DOTALL | re.MULTILINE)
"""A code fence and, where one follows at once, the output that it is said to have."""


def commands(document: Path) -> list[tuple[str, str]]:
    """The commands of a document, each with its output; empty where none is shown."""
    return [(command, output) for kind, command, output in FENCE.findall(document.read_text()) if kind == "bash"]


def pattern(shown: str) -> re.Pattern[str]:
    """An output as shown: a line of three dots stands for any lines, an ellipsis for the rest of a word or line."""
    lines = [
        r"(?:.*\n)*?" if line == "..." else re.escape(line).replace("…", ".*") + r"\n" for line in shown.split("\n")
    ]
    return re.compile("".join(lines[:-1]))


@contextmanager
def service(**settings: str) -> Iterator[str]:
    """A real service on a port of its own, with a store of its own unless settings say otherwise."""
    port = free_port()
    command = [
        sys.executable,
        "-m",
        "uvicorn",
        "--factory",
        "tramwright_service.http.app:create_app",
        "--port",
        str(port),
    ]
    with TemporaryDirectory() as folder:
        own = {
            "TRAMWRIGHT_LOG_LEVEL": "error",
            "TRAMWRIGHT_STORE": str(Path(folder, "farm.db")),
            "TRAMWRIGHT_WEBHOOK_TARGETS": "127.0.0.0/8",
            **settings,
        }
        process = subprocess.Popen([*command, "--log-level", "error"], env={**os.environ, **own})
        try:
            wait_for(lambda: listens(port))
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()
            process.wait()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, dict[str, str]]]:
    """Where the service is that the documents ask, and the setting that says where its store is."""
    where = {"TRAMWRIGHT_STORE": str(tmp_path_factory.mktemp("store") / "farm.db")}
    with service(**where) as base:
        yield base, where


def shell(command: str, folder: Path, base: str, **settings: str) -> str:
    """Run a command as a reader would, with the installed `tramwright` first on the path; return what it printed."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command.replace(".venv/bin/", "").replace(SERVED, base)],
        cwd=folder,
        env={**os.environ, "PATH": path, "no_proxy": "127.0.0.1", **settings},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{command}\n{done.stderr}"
    return done.stdout


needs_curl = pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed on this host")


@needs_curl
@pytest.mark.parametrize("guide", GUIDES, ids=lambda path: path.stem)
def test_every_command_in_a_guide_gives_the_output_shown(
    guide: Path, served: tuple[str, dict[str, str]], tmp_path: Path
) -> None:
    found = commands(guide)
    assert any(output for _, output in found)
    keys = {"TRAMWRIGHT_ACCESS": "keys", "TRAMWRIGHT_STORE": str(tmp_path / "farm.db")} if guide.stem == KEYED else {}
    with service(**keys) if keys else nullcontext(served[0]) as base:
        for command, output in found:
            real = shell(command, tmp_path, base, **(keys or served[1]))
            assert pattern(output).fullmatch(real), f"{command}\nshown:\n{output}\nreal:\n{real}"


@needs_curl
def test_every_command_in_the_readme_does_what_it_says(served: tuple[str, dict[str, str]]) -> None:
    elsewhere = ("python3 -m venv", ".venv/bin/tramwright serve")  # installing, and the service that answers here
    found = [(command, output) for command, output in commands(ROOT / "README.md") if not command.startswith(elsewhere)]
    assert len(found) == 2
    first, asked = (shell(command, ROOT, served[0]) for command, _ in found)
    assert pattern(found[0][1]).fullmatch(first)
    assert asked.rstrip() == first.rstrip()


def programs() -> list[tuple[str, str]]:
    """The programs in README that use the library, each with its output."""
    return [
        (code, output) for kind, code, output in FENCE.findall((ROOT / "README.md").read_text()) if kind == "python"
    ]


def test_the_program_in_the_readme_prints_what_it_says(tmp_path: Path) -> None:
    ((code, output),) = [one for one in programs() if "from tramwright_solvers import" in one[0]]
    assert len([line for line in code.splitlines() if line.strip()]) <= 10
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout == output


def test_the_program_in_the_readme_has_right_types_for_a_strict_checker(tmp_path: Path) -> None:
    api = pytest.importorskip("mypy.api", reason="mypy comes with the extra `dev`")
    ((code, _),) = [one for one in programs() if "from tramwright_solvers import" in one[0]]
    source = tmp_path / "tram.py"
    wrong = 'Reading(0.0, 0.0, "a lot")\nSurvey(readings=[], taken=1)\nprint(answer.move)\n'
    for added, count in (("", 0), (wrong, 3)):
        source.write_text(code + added)
        told, _, status = api.run(["--strict", "--no-incremental", "--cache-dir", str(tmp_path / "cache"), str(source)])
        assert (told.count("error:"), status) == (count, int(count > 0)), told


def answer(payload: Any) -> Any:
    return CliRunner().invoke(main, ["correct", "--json", "-"], input=json.dumps(payload))


def members(payload: Any, at: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Where each member and each element of a payload is."""
    for key, value in payload.items() if isinstance(payload, dict) else enumerate(payload):
        yield (*at, key)
        if isinstance(value, dict | list):
            yield from members(value, (*at, key))


def test_the_smallest_payload_is_answered_and_nothing_can_be_left_out() -> None:
    [payload] = [
        json.loads(text) for kind, text, _ in FENCE.findall((ROOT / "README.md").read_text()) if kind == "json"
    ]
    told = answer(payload)
    assert told.exit_code == 0
    assert all(move["turns"] for move in json.loads(told.output)["moves"])
    for *path, last in members(payload):
        less = deepcopy(payload)
        holder = less
        for key in path:
            holder = holder[key]
        del holder[last]
        assert answer(less).exit_code == (0 if last == "screw" else 2), (*path, last)
    for support in payload["machine"]["supports"]:
        del support["screw"]
    assert not any(move.get("turns") for move in json.loads(answer(payload).output)["moves"])


def test_the_readme_is_short_and_begins_with_a_command() -> None:
    lines = (ROOT / "README.md").read_text().splitlines()
    assert len(lines) <= 150
    assert lines.index("```bash") < 25


def test_every_question_has_its_guide_and_the_readme_links_to_all() -> None:
    assert {CORRECTIONS, *(question.name for question in QUESTIONS)} <= {guide.stem for guide in GUIDES}
    readme = (ROOT / "README.md").read_text()
    assert all(f"(openapi/guides/{guide.name})" in readme for guide in GUIDES)


def test_every_shipped_example_is_in_one_guide() -> None:
    for example in EXAMPLES:
        assert sum(f"| `{example.stem}` |" in guide.read_text() for guide in GUIDES) == 1, example
        if example.parent.name != "examples":
            assert f"| `{example.stem}` |" in guides.read(example.parent.name)


@pytest.mark.parametrize("document", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *GUIDES], ids=lambda path: path.stem)
def test_every_link_leads_somewhere(document: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", document.read_text()):
        assert (document.parent / target.partition("#")[0]).exists(), target


def test_the_solver_in_the_developers_document_is_the_tested_one() -> None:
    marker = "<!-- the text of tests/plugins/hinged_bed/hinged_bed.py; a test compares the two -->\n"
    shown = FENCE.search((ROOT / "DEVELOPERS.md").read_text().partition(marker)[2])
    assert shown
    assert shown[2] == (ROOT / "tests/plugins/hinged_bed/hinged_bed.py").read_text()
