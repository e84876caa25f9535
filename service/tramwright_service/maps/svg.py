"""What matplotlib writes as SVG, made small and fit for a page: told to those who cannot see it, nothing in ``style``.

A page whose Content Security Policy allows no inline style may hold such a picture in its own markup. Only tags are
rewritten; what stands between them, such as the name of a machine, passes as it is.
"""

from __future__ import annotations

import re
from hashlib import blake2b
from xml.sax.saxutils import escape

from ..wire.plain import plain

TYPEFACES = "DejaVu Sans, Verdana, Segoe UI, Arial, sans-serif"
"""Letters of much the same width, the last whatever a reader has."""

_HEAD = re.compile(r"^.*?<svg [^>]*?width=\"([\d.]+)pt\" height=\"([\d.]+)pt\"[^>]*>.*?</defs>", re.DOTALL)
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)
_TAG = re.compile(r"<[^>]+>")
_STYLE = re.compile(r' style="([^"]*)"')
_PLACES = re.compile(r' (d|x|y)="([^"]*)"')
_NUMBER = re.compile(r"-?\d+\.\d{2,}(?:e-?\d+)?")
_UNTURNED = re.compile(r' transform="rotate\(-?0 [^"]*"')
_NAMED = re.compile(r' id="(?:figure|axes|patch|text|line2d|[A-Za-z]+Collection)_\d+"')
_BLANKS = re.compile(r">\s+<")


def tidy(written: str, title: str, tells: str) -> str:
    """Return the picture with its title and description, places to a tenth of a point."""
    head = _HEAD.match(written)
    if head is None:
        raise ValueError("the head of the picture is not as expected")
    body = _BLANKS.sub("><", _TAG.sub(_shorter, _COMMENT.sub("", written[head.end() :])))
    mark = blake2b(f"{title}\n{tells}\n{body}".encode(), digest_size=5).hexdigest()
    width, height = (f"{float(side):g}" for side in head.groups())
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="{width}" '
        f'height="{height}" viewBox="0 0 {width} {height}" role="img" aria-labelledby="t{mark} d{mark}" '
        f'font-family="{TYPEFACES}" stroke-linejoin="round">'
        f'<title id="t{mark}">{escape(plain(title))}</title><desc id="d{mark}">{escape(plain(tells))}</desc>{body}'
    )


def _shorter(found: re.Match[str]) -> str:
    tag = _UNTURNED.sub("", _NAMED.sub("", found[0].replace(" \n", " ").replace("\n", " ")))
    return _PLACES.sub(_rounded, _STYLE.sub(_attributes, tag))


def _rounded(found: re.Match[str]) -> str:
    """Return places to a tenth of a point, straight lines as steps from point to point, which are shorter."""
    name, places = found[1], found[2].strip()
    if name == "d" and not set(places) & set("CQ"):
        return f' d="{_steps(places.split())}"'
    return f' {name}="{_NUMBER.sub(lambda number: f"{float(number[0]):.1f}".removesuffix(".0"), places)}"'


def _steps(tokens: list[str]) -> str:
    """Return a path of straight lines: where each begins, then its steps.

    Steps lie between places already rounded, so that their errors do not add up.
    """
    told, letter, x, y = list[str](), "", 0, 0
    numbers = list[int]()
    for token in tokens:
        if token.isalpha():
            letter = token
            told += ["z"] if letter == "z" else []
            continue
        numbers.append(round(10 * float(token)))
        if len(numbers) == 1:
            continue
        right, down = numbers
        if letter == "M":
            told.append(f"M{right / 10:g} {down / 10:g}")
        elif right == x or down == y:
            told.append(f"v{(down - y) / 10:g}" if right == x else f"h{(right - x) / 10:g}")
        else:
            told.append(f"l{(right - x) / 10:g} {(down - y) / 10:g}")
        x, y, numbers = right, down, []
    return "".join(told).replace(" -", "-")


def _attributes(found: re.Match[str]) -> str:
    """Return what a style says as attributes, but for the typeface, which the whole picture has."""
    said = dict(part.split(": ", 1) for part in found[1].rstrip(";").split("; ") if ": " in part)
    return "".join(f' {name}="{value}"' for name, value in said.items() if name != "font-family")
