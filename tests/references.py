"""What every check against the outside world declares, and the index of them all.

A test in ``tests/reference`` carries one or more markers::

    from references import library, reference

    @reference(
        "published",                                     # or one of the other LABELS
        source="JCGM 106:2012, 7.4; inputs published, probability recomputed",
        proves="the probability of conformity",
    )
    def test_something() -> None: ...

``source`` names edition, table, page or equation, says "from memory" for a value known only so, and for "derived" says
how. A test labelled "library" names in ``packages`` the independent packages that compute the answer while it runs;
:func:`library` imports them, or skips where the extra ``reference`` is not installed. All arguments are string
constants (or names of such constants in the same file), because the index is read from the source without running it.

``python tests/references.py`` renews the index in ``tests/reference/README.md``.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import NamedTuple

import pytest

LABELS = ("published", "derived", "library", "common practice, no source")
NO_SOURCE = "common practice, no source"

ROOT = Path(__file__).parents[1]
CHECKS = Path(__file__).parent / "reference"
INDEX = CHECKS / "README.md"
BEGIN, END = "<!-- index of references: python tests/references.py -->", "<!-- end of the index -->"

NOT_COVERED = (
    (
        "DIN 876 flatness grades of surface plates",
        "the limit is the user's own total; no grade is computed or offered",
    ),
    (
        "lever-type indicators: cosine of the contact angle",
        "readings are taken as the dial's true travel; no such correction is made",
    ),
    (
        "cumulative sums (CUSUM example of the NIST/SEMATECH e-Handbook, 6.3.2.3)",
        "the chart of a machine's history is that of moving averages, and trends are tested for as such",
    ),
    (
        "DIN 988 shim thicknesses as defaults",
        "known from memory only, so no thickness is built in; that ours stack up is checked with such a set as stock",
    ),
    (
        "least absolute deviations (Williams, example 11; Barrodale & Roberts on stack loss)",
        "fits are by least squares or minimum zone; there is no third criterion",
    ),
    (
        "JIS B 7503 limits over one revolution, over a tenth of one, and for ranges of 1 to 5 mm",
        "one default serves, that over the whole range of a 10 mm dial; the user may state a smaller one",
    ),
    (
        "Airy points, sag of plate and rails under their own weight",
        "weight does not change when an adjuster moves, so it is left out everywhere",
    ),
    (
        "simply supported plates under load (Timoshenko & Woinowsky-Krieger)",
        "no load is computed but the corner forces of a twist, which are checked",
    ),
    (
        "that a first layer of 0.3 mm forgives about 0.2 mm",
        "common practice; nothing is computed from it, it only bears out that the default limit is on the safe side",
    ),
    (
        "ISO 2904 trapezoidal screw threads as a table",
        "leads are given by the user; turns are checked for its published sizes, none of which is built in",
    ),
    (
        "rigid-body dynamics packages for the kinematic mount",
        "too heavy for the extra; the rotations of scipy, which share no code with ours, stand in",
    ),
)


def reference(label: str, *, source: str = "", proves: str, packages: tuple[str, ...] = ()) -> pytest.MarkDecorator:
    """Mark a test with its label, its source and what it proves; see the module's first lines."""
    return pytest.mark.reference(label=label, source=source, proves=proves, packages=packages)


def library(name: str) -> ModuleType:
    """Import an independent package, or skip the test where it is not installed."""
    return pytest.importorskip(name, reason=f"{name} comes with the extra `reference`: pip install '.[test,reference]'")


class Check(NamedTuple):
    """One marker on one test."""

    file: str
    test: str
    label: str
    source: str
    proves: str
    packages: tuple[str, ...]

    def faults(self) -> list[str]:
        """Say what the marker lacks."""
        found = []
        if self.label not in LABELS:
            found.append(f"the label {self.label!r} is none of {', '.join(LABELS)}")
        if self.label != NO_SOURCE and len(self.source) < 10:
            found.append("it names no source")
        if self.label == NO_SOURCE and self.source:
            found.append(f"what has a source is not {NO_SOURCE!r}")
        if len(self.proves) < 10:
            found.append("it does not say what it proves")
        if (self.label == "library") != bool(self.packages):
            found.append("a library is named in `packages` by checks of that label, and by no others")
        return [f"{self.file}::{self.test}: {fault}" for fault in found]


def checks_in(path: Path) -> Iterator[Check | str]:
    """Yield every check of a file, and a sentence for every test that is not properly marked as one."""
    tree = ast.parse(path.read_text())
    known = {
        target.id: statement.value
        for statement in tree.body
        if isinstance(statement, ast.Assign)
        for target in statement.targets
        if isinstance(target, ast.Name)
    }

    def plain(node: ast.expr) -> str | tuple[str, ...]:
        if isinstance(node, ast.Name):
            return plain(known[node.id])
        value: str | tuple[str, ...] = ast.literal_eval(node)
        return value

    for node in ast.walk(tree):
        if not isinstance(node, ast.FunctionDef) or not node.name.startswith("test"):
            continue
        marked = False
        for mark in node.decorator_list:
            if not (isinstance(mark, ast.Call) and isinstance(mark.func, ast.Name) and mark.func.id == "reference"):
                continue
            marked = True
            try:
                label = plain(mark.args[0])
                given = {str(keyword.arg): plain(keyword.value) for keyword in mark.keywords}
                check = Check(
                    path.name, node.name, label, given.get("source", ""), given["proves"], given.get("packages", ())
                )
            except (ValueError, KeyError, IndexError) as error:
                yield f"{path.name}::{node.name}: its marker is not made of constants, or lacks one ({error})"
                continue
            yield check
        if not marked:
            yield f"{path.name}::{node.name}: no @reference(...) says what this checks and by which source"


def collected(folder: Path = CHECKS) -> tuple[list[Check], list[str]]:
    """Return all checks of a folder in the order of files and lines, and all faults of their markers."""
    checks, faults = [], []
    for path in sorted(folder.glob("*.py")):
        for found in checks_in(path):
            if isinstance(found, str):
                faults.append(found)
            else:
                checks.append(found)
                faults += found.faults()
    return checks, faults


def pins() -> dict[str, str]:
    """Return the versions that continuous integration installs, by distribution in small letters."""
    lines = (ROOT / "deploy" / "constraints.txt").read_text().splitlines()
    return dict(line.lower().split("==") for line in lines if "==" in line and not line.startswith("#"))


def index() -> str:
    """Return the index of all checks, and of what is not covered, as Markdown."""
    checks, _ = collected()
    versions = pins()
    tests = {(check.file, check.test) for check in checks}
    counts = "; ".join(f"{sum(check.label == label for check in checks)} {label}" for label in LABELS)
    lines = [
        f"{len(tests)} tests in `tests/reference` carry {len(checks)} labels: {counts}.",
        "",
        "| test | proves | label | source |",
        "| --- | --- | --- | --- |",
    ]
    for check in checks:
        by = ", ".join(f"{package} {versions[package.lower()]}" for package in check.packages)
        source = "; ".join(filter(None, [by, check.source]))
        row = (f"`{check.file[5:-3]}`: {check.test[5:].replace('_', ' ')}", check.proves, check.label, source)
        lines.append("| " + " | ".join(" ".join(cell.split()).replace("|", "\\|") for cell in row) + " |")
    lines += ["", "Not covered:", "", "| what | why |", "| --- | --- |"]
    lines += [f"| {what} | {why} |" for what, why in NOT_COVERED]
    return "\n".join(lines)


def renewed(document: str) -> str:
    """Return a document with the index between its two markers renewed."""
    before, begin, rest = document.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise ValueError(f"the document lacks the lines {BEGIN!r} and {END!r}")
    return f"{before}{BEGIN}\n{index()}\n{END}{after}"


if __name__ == "__main__":
    INDEX.write_text(renewed(INDEX.read_text()))
