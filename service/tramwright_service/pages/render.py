"""Each page written out in a language, and the files that it loads: all from this package, nothing from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
from jinja2 import Environment, FileSystemLoader, StrictUndefined

HERE = Path(__file__).parent
FILES: Mapping[str, bytes] = {path.name: path.read_bytes() for path in sorted((HERE / "static").iterdir())}
"""What pages load. Kept as bytes: no name that is asked for ever reaches the file system."""
LANGUAGES: Mapping[str, dict[str, dict[str, str]]] = {
    path.stem: msgspec.json.decode(path.read_bytes(), type=dict[str, dict[str, str]])
    for path in sorted((HERE / "messages").glob("*.json"), key=lambda path: (path.stem != "en", path.stem))
}
"""The words of each language, by section and key; English, the first, is what others are compared with."""
PAGES = {"/farm": "farm", "/bench": "bench", "/bench/machine": "machine"}
"""Path of each page and its name, which its template, its script, its style and its section of the words bear."""
SHARED = "shared"
"""The section of words that every page has."""
CARD = "card"
"""The page that other pages embed; it has the words of the farm as well."""

TEMPLATES = Environment(
    loader=FileSystemLoader(HERE / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
TEMPLATES.policies["json.dumps_function"] = lambda value, **_: msgspec.json.encode(value).decode()
IMPORT = re.compile(rb'^(?:import|export)\b[^;"]*"\./([\w.]+)";', re.MULTILINE)


@cache
def write(name: str, language: str, data: bytes) -> str:
    """Return a page as HTML.

    Args:
        name: one of the names in ``PAGES``, or ``CARD``.
        language: one of ``LANGUAGES``.
        data: JSON that the page's script starts from.

    Raises:
        KeyError: there is no such page or language, or the template names a word that the language does not have.
    """
    words = LANGUAGES[language]

    def say(key: str, **values: object) -> str:
        section, _, word = key.partition(".")
        return words[section][word].format_map(values)

    return TEMPLATES.get_template(f"{name}.html").render(
        name=name,
        pages=PAGES,
        say=say,
        language=language,
        languages={code: said[SHARED]["language"] for code, said in LANGUAGES.items()},
        words={section: words[section] for section in (SHARED, name, *(["farm"] if name == CARD else []))},
        data=msgspec.json.decode(data),
        modules=sorted(set(imported(f"{name}.js"))),
    )


def imported(module: str) -> Iterator[str]:
    """Yield what a module imports, at any remove: a page asks for all of it at once instead of one after the other."""
    for found in IMPORT.findall(FILES[module]):
        yield found.decode()
        yield from imported(found.decode())


def language_of(asked: str | None, accept: list[tuple[str, float]]) -> str:
    """Return the language of a page: what was chosen on it, else the most wanted of those there are, else English."""
    if asked is not None and asked in LANGUAGES:
        return asked
    best, best_quality = next(iter(LANGUAGES)), 0.0
    for name, quality in accept:
        known = name.partition("-")[0]
        if known in LANGUAGES and quality > best_quality:
            best, best_quality = known, quality
    return best


def encoded(data: Mapping[str, Any]) -> bytes:
    """Return what a page's script starts from as JSON."""
    return msgspec.json.encode(data)
