"""The blocks that every plain-text answer is built of, no wider than 100 columns."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from textwrap import fill

WIDTH = 100


def titled(title: str, lines: Iterable[str]) -> str:
    """Return a block under a heading."""
    return "\n".join([title, "-" * len(title), *lines])


def numbered(sentences: Iterable[str]) -> list[str]:
    """Return sentences numbered from one and wrapped."""
    return [
        fill(sentence, WIDTH, initial_indent=f"{number:>2}. ", subsequent_indent="    ", break_on_hyphens=False)
        for number, sentence in enumerate(sentences, 1)
    ]


def notes(title: str, sentences: Iterable[str]) -> str:
    """Return a block of notes, or nothing where there are none."""
    lines = [
        fill(sentence, WIDTH, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)
        for sentence in sentences
    ]
    return titled(title, lines) if lines else ""


def wrapped(line: str) -> str:
    """Wrap a line of prose, continuation indented."""
    return fill(line, WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def preformatted(text: str) -> str:
    """Return a text as HTML."""
    return f"<pre>{escape(text)}</pre>"


def table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """Return a table as HTML."""
    heads = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    lines = ["".join(f"<td>{escape(cell)}</td>" for cell in row) for row in rows]
    return f"<table><tr>{heads}</tr>{''.join(f'<tr>{line}</tr>' for line in lines)}</table>"
