"""Who may import whom: rooms stand in the order of the line of data, and each imports only from those above it."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import tramwright_service
import tramwright_solvers

SOLVERS, SERVICE = (Path(str(package.__file__)).parent for package in (tramwright_solvers, tramwright_service))
FILES = [*sorted(SOLVERS.rglob("*.py")), *sorted(SERVICE.rglob("*.py"))]
THIRD_PARTY = {"numpy", "scipy", "msgspec", "cachetools"}

LINE = (
    "model", "linalg", "results", "mechanisms", "reduction", "adjustment", "uncertainty", "diagnostics", "multisurvey",
    "learning", "correction",
)  # fmt: skip
"""The rooms of the numerics in the order of the line of data; the four other questions stand below, side by side."""
LAST = "views"
"""The room that writes answers out for people: below the questions, whose answers they are."""
PUBLIC = {"contract", "conformance"}
"""Modules for the authors of plug-ins, above all rooms: they may import anything, and no room imports them."""
SERVICE_LINE = ("settings", "wire", "maps", "catalogue", "pages", "execution", "batch", "farm", "http", "demo", "cli")


def name_of(path: Path) -> str:
    base = SOLVERS if SOLVERS in path.parents else SERVICE
    parts = path.relative_to(base.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> Iterator[str]:
    """Absolute names of all modules that a file imports, inside functions and under TYPE_CHECKING too."""
    base = SOLVERS if SOLVERS in path.parents else SERVICE
    package = [base.name, *path.relative_to(base).parent.parts]
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            stem = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*stem, *(node.module.split(".") if node.module else [])])
            for alias in node.names:
                below = base.parent.joinpath(*module.split("."), alias.name)
                known = below.is_dir() or below.with_suffix(".py").is_file()
                yield f"{module}.{alias.name}" if known else module


def room(name: str) -> str:
    """The room of a module: the second part of its name; a package's own face has none."""
    return name.split(".")[1] if "." in name else ""


@pytest.mark.parametrize("path", [path for path in FILES if SOLVERS in path.parents], ids=name_of)
def test_solvers_import_numerics_only(path: Path) -> None:
    strangers = {name.split(".")[0] for name in imports(path)} - THIRD_PARTY - sys.stdlib_module_names
    assert strangers <= {"tramwright_solvers"}


@pytest.mark.parametrize("path", [path for path in FILES if SOLVERS in path.parents], ids=name_of)
def test_a_room_imports_only_from_rooms_above_it(path: Path) -> None:
    here = room(name_of(path))
    if not here or here in PUBLIC:
        return
    questions = {name_of(path).split(".")[1] for path in SOLVERS.glob("*/__init__.py")} - {*LINE, LAST, *PUBLIC}
    above = set(LINE[: LINE.index(here) + 1]) if here in LINE else {*LINE, here, *(questions if here == LAST else ())}
    assert {room(name) for name in imports(path) if name.split(".")[0] == "tramwright_solvers"} <= above


@pytest.mark.parametrize("path", [path for path in FILES if SERVICE in path.parents], ids=name_of)
def test_a_room_of_the_service_imports_only_from_rooms_above_it(path: Path) -> None:
    here = room(name_of(path))
    if not here:
        return
    above = {"", *SERVICE_LINE[: SERVICE_LINE.index(here) + 1]}
    assert {room(name) for name in imports(path) if name.split(".")[0] == "tramwright_service"} <= above


@pytest.mark.parametrize("base", [SOLVERS, SERVICE], ids=lambda base: base.name)
def test_no_modules_import_each_other_in_a_circle(base: Path) -> None:
    needs = {name_of(path): {*imports(path)} - {name_of(path)} for path in base.rglob("*.py")}
    try:
        TopologicalSorter({name: needed & needs.keys() for name, needed in needs.items()}).prepare()
    except CycleError as error:
        pytest.fail(" → ".join(error.args[1]))


def test_listing_the_solvers_loads_nothing_heavy() -> None:
    code = "import sys, tramwright_solvers.mechanisms.registry as r; r.installed(False); print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split()
    assert "tramwright_solvers.mechanisms" in loaded
    assert not {"scipy", "matplotlib", "litestar"} & set(loaded)
