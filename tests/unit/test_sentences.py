"""Numerics return facts; words for people stand in the `sentences.py` of each room, to be read together."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import tramwright_solvers

SOLVERS = Path(str(tramwright_solvers.__file__)).parent
EXEMPT = dict.fromkeys(
    ("conformance/declared.py", "conformance/mathematics.py"),
    "speaks to the authors of plug-ins, in the words of the contract",
)
FILES = [path for path in sorted(SOLVERS.rglob("*.py")) if path.name != "sentences.py"]
FOR_PROGRAMMERS = {"ValueError", "TypeError", "AssertionError", "AttributeError"}
SENTENCE = 4
"""Words from which a text counts as written for people."""


def words(node: ast.AST) -> int | None:
    """How many words a string or f-string has, what is filled in not counted; None for anything else."""
    if isinstance(node, ast.JoinedStr):
        text = " ".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))
    elif isinstance(node, ast.Constant) and isinstance(node.value, str):
        text = node.value
    else:
        return None
    return sum(any(map(str.isalpha, word)) for word in text.split())


def sentences(node: ast.AST) -> Iterator[int]:
    """Lines of sentences that are no docstring, no description of a field and no fault of the program itself."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    if isinstance(node, ast.Call) and ast.unparse(node.func) == "Meta":
        return
    if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) and ast.unparse(node.exc.func) in FOR_PROGRAMMERS:
        return
    if (count := words(node)) is not None:
        if count >= SENTENCE:
            yield node.lineno  # type: ignore[attr-defined]
        return
    for child in ast.iter_child_nodes(node):
        yield from sentences(child)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(SOLVERS)))
def test_numerics_say_nothing_to_people(path: Path) -> None:
    found = list(sentences(ast.parse(path.read_text())))
    if str(path.relative_to(SOLVERS)) in EXEMPT:
        assert found, "it is exempt no longer: take it out of the list"
    else:
        assert not found, f"move what stands in lines {found} into the sentences.py of its room"


@pytest.mark.parametrize(
    ("code", "line"),
    [
        ('x = 1\ny = "one two three four"', [2]),
        ('f(f"{x} one two {y:.3f} three four")', [1]),
        ('f("one two "\n  "three four")', [1]),
        ('raise Refused("one two three four")', [1]),
        ('"""one two three four five"""', []),
        ('x: Annotated[int, Meta(description="one two three four")]', []),
        ('raise ValueError("one two three four")', []),
        ('f(f"/one/{x}/two/{y} {z} {w}")', []),
        ('f("one two three")', []),
    ],
)
def test_what_counts_as_a_sentence(code: str, line: list[int]) -> None:
    assert list(sentences(ast.parse(code))) == line
