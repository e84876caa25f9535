"""Every check against the outside world says what it proves and by which source, and all are in the index."""

from pathlib import Path

import pytest

from references import CHECKS, INDEX, ROOT, checks_in, collected, pins, renewed

LEAST_CHECKS = 40


def test_every_reference_test_has_label_and_source() -> None:
    checks, faults = collected()
    assert not faults, "\n".join(faults)
    assert {check.file for check in checks} == {path.name for path in CHECKS.glob("test_*.py")}


def test_there_are_checks_enough() -> None:
    checks, _ = collected()
    outside = {(check.file, check.test) for check in checks if check.source or check.packages}
    assert len(outside) >= LEAST_CHECKS


def test_the_libraries_are_those_of_the_extra_and_pinned() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    named = project["dependencies"] + project["optional-dependencies"]["reference"]
    offered = {requirement.split(">")[0].split("[")[0].lower() for requirement in named}
    for check in collected()[0]:
        assert {package.lower() for package in check.packages} <= offered & set(pins()), check


def test_the_index_is_that_of_the_tests() -> None:
    document = INDEX.read_text()
    assert document == renewed(document), "renew it: python tests/references.py"


@pytest.mark.parametrize(
    ("marker", "says"),
    [
        ("", "no @reference"),
        ('@reference("published", proves="that this is refused")', "names no source"),
        ('@reference("regression", source="yesterday\'s own output", proves="that this is refused")', "is none of"),
        ('@reference("derived", source="by symmetry of the grid")', "lacks one"),
        ('@reference("library", source="independent of ours", proves="that this is refused")', "in `packages`"),
        (
            '@reference("common practice, no source", source="a book of 1950", proves="that it is refused")',
            "has a source",
        ),
        ('@reference("derived", source=f"{1}", proves="that this is refused")', "not made of constants"),
    ],
)
def test_a_test_without_label_or_source_is_refused(tmp_path: Path, marker: str, says: str) -> None:
    path = tmp_path / "test_it.py"
    path.write_text(f"{marker}\ndef test_it() -> None: ...\n")
    faults = [fault for found in checks_in(path) for fault in ([found] if isinstance(found, str) else found.faults())]
    assert any(says in fault for fault in faults), faults
