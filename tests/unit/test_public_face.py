"""The library's public names: all there, all loadable, and nothing loaded before it is used."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import tramwright_solvers
from tramwright_solvers import contract


@pytest.mark.parametrize("name", tramwright_solvers.__all__)
def test_every_public_name_loads(name: str) -> None:
    assert getattr(tramwright_solvers, name).__name__ == name


def test_type_checkers_are_told_of_the_same_names() -> None:
    tree = ast.parse(Path(str(tramwright_solvers.__file__)).read_text())
    told = {
        alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.level for alias in node.names
    }
    assert told == set(tramwright_solvers.__all__) == set(tramwright_solvers._HOME)


def test_a_name_that_is_not_public_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'tram'"):
        _ = tramwright_solvers.tram


def test_importing_the_package_loads_no_numerics() -> None:
    code = "import sys, tramwright_solvers; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split()
    assert not {"numpy", "scipy", "tramwright_solvers.model"} & set(loaded)


def test_the_contract_offers_all_that_it_lists() -> None:
    assert all(hasattr(contract, name) for name in contract.__all__)
