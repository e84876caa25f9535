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
    """Return places to a tenth of a point; lines that go on need no letter, curves do."""
    places = _NUMBER.sub(lambda number: f"{float(number[0]):.1f}".removesuffix(".0"), found[2].strip())
    return f' {found[1]}="{places if "C" in places else places.replace(" L ", " ")}"'


def _attributes(found: re.Match[str]) -> str:
    """Return what a style says as attributes, but for the typeface, which the whole picture has."""
    said = dict(part.split(": ", 1) for part in found[1].rstrip(";").split("; ") if ": " in part)
    return "".join(f' {name}="{value}"' for name, value in said.items() if name != "font-family")
