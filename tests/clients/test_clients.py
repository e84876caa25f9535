"""Clients made from the OpenAPI document by generators that people use, compiled, checked and run on a real server.

``npm install`` in this folder brings the TypeScript side and the linters, ``pip install 'tramwright[clients]'`` the
Python side.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from processes import served

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "openapi" / "openapi.json"
EXAMPLE = HERE.parents[1] / "openapi" / "examples" / "tilted-bed.json"
PACKAGES = HERE / "node_modules"
TOOLS = PACKAGES / ".bin"

needs_node = pytest.mark.skipif(
    shutil.which("node") is None or not PACKAGES.is_dir(), reason="needs node, and `npm install` in tests/clients"
)
needs_generator = pytest.mark.skipif(
    importlib.util.find_spec("openapi_python_client") is None, reason="needs `pip install 'tramwright[clients]'`"
)


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    with served() as port:
        yield f"http://127.0.0.1:{port}"


def run(*command: str | Path, cwd: Path) -> str:
    """Run a command and return what it prints; a failure shows all of it."""
    # the Python of the tests comes first on the path, for a generator looks there for its formatter
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    quiet = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true"}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env={**os.environ, **quiet, "PATH": path},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def said_by(url: str) -> dict[str, Any]:
    """What both clients must print, asked for without either."""
    request = json.loads(EXAMPLE.read_text())
    answer = httpx.post(f"{url}/v1/corrections", json=request).json()
    few = request["survey"] | {"readings": request["survey"]["readings"][:2]}
    sent = [
        {"id": "first", "machine": request["machine"], "survey": request["survey"]},
        {"id": "second", "machine": request["machine"]["id"], "survey": few},
    ]
    lines = httpx.post(
        f"{url}/v1/corrections/batch",
        content="".join(json.dumps(line) + "\n" for line in sent),
        headers={"Content-Type": "application/x-ndjson"},
    ).text
    assert answer["moves"]
    return {
        "total": answer["predicted"]["total"],
        "expanded": answer["predicted"]["expanded"],
        "travels": {move["adjuster"]: move["travel"] for move in answer["moves"]},
        "status": 422,
        "pointers": ["/survey/readings"],
        "lines": [json.loads(line) for line in lines.splitlines()],
    }


@needs_node
def test_the_typescript_client(server: str, tmp_path: Path) -> None:
    for name in ("client.ts", "tsconfig.json", "package.json"):
        shutil.copy(HERE / name, tmp_path)
    (tmp_path / "node_modules").symlink_to(PACKAGES)
    run(TOOLS / "openapi-typescript", DOCUMENT, "-o", "schema.d.ts", "--default-non-nullable=false", cwd=tmp_path)
    run(TOOLS / "tsc", "--project", ".", cwd=tmp_path)
    assert json.loads(run("node", "client.js", server, EXAMPLE, cwd=tmp_path)) == said_by(server)


@needs_generator
def test_the_python_client(server: str, tmp_path: Path) -> None:
    run(
        *("openapi-python-client", "generate", "--path", DOCUMENT, "--meta", "none", "--fail-on-warning"),
        *("--output-path", "tramwright_client", "--config", HERE / "python.yaml"),
        cwd=tmp_path,
    )
    shutil.copy(HERE / "client.py", tmp_path)
    run(
        sys.executable, "-m", "mypy", "--config-file", HERE / "mypy.ini", "client.py", "tramwright_client", cwd=tmp_path
    )
    assert json.loads(run(sys.executable, "client.py", server, EXAMPLE, cwd=tmp_path)) == said_by(server)


@needs_node
def test_redocly_finds_nothing(tmp_path: Path) -> None:
    command = (TOOLS / "redocly", "lint", "--format", "json", "--config", HERE / "redocly.yaml", DOCUMENT)
    told = run(*command, cwd=tmp_path)
    assert json.loads(told)["totals"] == {"errors": 0, "warnings": 0, "ignored": 0}


@needs_node
def test_spectral_finds_nothing(tmp_path: Path) -> None:
    command = (TOOLS / "spectral", "lint", "--quiet", "--format", "json", "--ruleset", HERE / "spectral.yaml", DOCUMENT)
    told = run(*command, cwd=tmp_path)
    assert json.loads(told) == []


@pytest.mark.parametrize(("language", "script"), [("python", "client.py"), ("ts", "client.ts")])
def test_the_lines_that_are_shown_are_those_that_run(language: str, script: str) -> None:
    document = (HERE.parents[1] / "README.md").read_text()
    shown = re.findall(rf"^```{language}\n(.*?)^```", document, re.M | re.S)[0]
    lines = [line for line in shown.splitlines() if line]
    assert len(lines) == 5
    assert set(lines) <= set((HERE / script).read_text().splitlines())
