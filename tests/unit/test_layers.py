"""Who may import whom: the numerics know nothing of the service, a mechanism nothing of the solving."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import tramwright_solvers

SOLVERS = Path(tramwright_solvers.__file__).parent
FILES = sorted(SOLVERS.rglob("*.py"))
THIRD_PARTY = {"numpy", "scipy", "msgspec", "highspy"}
FOR_MECHANISMS = {"contract", "machine", "faults", "materials", "mechanisms"}


def imports(path: Path) -> Iterator[str]:
    """Absolute names of all modules that a file imports, inside functions too."""
    package = ["tramwright_solvers", *path.relative_to(SOLVERS).parent.parts]
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            stem = [*base, *(node.module.split(".") if node.module else [])]
            yield from [".".join(stem)] if node.module else [".".join([*stem, alias.name]) for alias in node.names]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(SOLVERS)))
def test_solvers_import_numerics_only(path: Path) -> None:
    strangers = {name.split(".")[0] for name in imports(path)} - THIRD_PARTY - sys.stdlib_module_names
    assert strangers <= {"tramwright_solvers"}


@pytest.mark.parametrize("path", sorted((SOLVERS / "mechanisms").glob("*.py")), ids=lambda path: path.name)
def test_mechanisms_know_mechanics_only(path: Path) -> None:
    ours = {name.split(".")[1] for name in imports(path) if name.startswith("tramwright_solvers.")}
    assert ours <= FOR_MECHANISMS


@pytest.mark.parametrize("path", sorted((SOLVERS / "adjust").glob("*.py")), ids=lambda path: path.name)
def test_adjustment_knows_no_mechanism_and_no_machine(path: Path) -> None:
    ours = {name.split(".")[1] for name in imports(path) if name.startswith("tramwright_solvers.")}
    assert not ours & {"mechanisms", "registry", "machine", "correction", "steps"}


def test_listing_the_solvers_loads_nothing_heavy() -> None:
    code = "import sys, tramwright_solvers.registry as r; r.installed(False); print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split()
    assert "tramwright_solvers.mechanisms" in loaded
    assert not {"scipy", "matplotlib", "litestar"} & set(loaded)
