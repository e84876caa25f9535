"""The guides, one for each question: Markdown in the source tree and the wheel, and a page of HTML for browsers."""

from __future__ import annotations

from functools import cache

from .examples import folder


@cache
def titles() -> dict[str, str]:
    """Return the title of every guide by the guide's name, sorted by name."""
    found = sorted(folder("guides").glob("*.md"), key=lambda path: path.stem)
    return {path.stem: path.read_text(encoding="utf-8").partition("\n")[0].removeprefix("# ") for path in found}


def read(name: str) -> str:
    """Return one guide as Markdown, by its name with or without suffix.

    Raises:
        KeyError: there is none of that name.
    """
    stem = name.removesuffix(".md")
    if stem not in titles():
        raise KeyError(stem)
    return (folder("guides") / f"{stem}.md").read_text(encoding="utf-8")


@cache
def as_html(name: str) -> str:
    """Return one guide as HTML, the content of a page's body; raw HTML inside a guide is shown as text.

    Raises:
        KeyError: there is none of that name.
    """
    from markdown_it import MarkdownIt

    return str(MarkdownIt("commonmark", {"html": False}).enable("table").render(read(name)))
