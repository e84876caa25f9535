"""``/openapi.json``, ``/docs``, ``/docs/problems`` and ``/docs/guides``: no file comes from elsewhere, so all of them
work in a workshop without internet."""

from __future__ import annotations

from functools import cache
from html import escape
from mimetypes import guess_type
from pathlib import Path
from typing import Any

from litestar import MediaType, Request, Response, get
from litestar.params import FromPath

from tramwright_solvers.mechanisms.registry import Registry

from ..catalogue import guides
from ..settings import Settings
from ..wire import problems
from ..wire.accept import accepted, choose
from ..wire.problems import KINDS, NOT_FOUND, RequestError
from .access import OPEN

STATIC = Path(__file__).parent / "static"

POLICY = {
    "content-security-policy": "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; "
    "base-uri 'none'; frame-ancestors 'none'",
}

HEAD = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="icon" href="data:,">
"""

DOCS = (
    HEAD
    + """<title>Tramwright: the API</title>
<link rel="stylesheet" href="/docs/assets/swagger-ui.css">
</head>
<body>
<main id="docs">
<noscript>This page needs scripts, which this service serves itself. The same is to be had as
<a href="/openapi.json">/openapi.json</a>.</noscript>
</main>
<script src="/docs/assets/swagger-ui-bundle.js"></script>
<script src="/docs/assets/docs.js"></script>
</body>
</html>
"""
)


MARKDOWN = "text/markdown"


def page(title: str, content: str) -> str:
    """Return a page without scripts; ``content`` is HTML."""
    head = f'{HEAD}<title>Tramwright: {escape(title)}</title>\n<link rel="stylesheet" href="/docs/assets/page.css">\n'
    return f"{head}</head>\n<body>\n<main>\n{content}\n</main>\n</body>\n</html>\n"


def problems_page() -> str:
    """Return the page that the ``type`` of every problem refers to."""
    rows = "\n".join(
        f'<h2 id="{kind.slug}">{escape(kind.title)}</h2>\n<p>Status {kind.status}. {escape(kind.remedy)}</p>'
        for kind in KINDS
    )
    return page("problems", f"<h1>Problems</h1>\n{rows}")


def guides_page() -> str:
    """Return the list of guides."""
    rows = "\n".join(
        f'<li><a href="/docs/guides/{name}">{escape(title)}</a></li>' for name, title in guides.titles().items()
    )
    more = '<p>The interactive description of the API: <a href="/docs">/docs</a>.</p>'
    return page("guides", f"<h1>Guides</h1>\n<ul>\n{rows}\n</ul>\n{more}")


def guide_answer(name: str, accept: bytes) -> Response[str]:
    """Return one guide: Markdown, or a page where a browser asks for HTML.

    Raises:
        RequestError: there is no guide of that name, or neither form is accepted.
    """
    try:
        text = guides.read(name)
    except KeyError:
        there = ", ".join(f"`{known}`" for known in guides.titles())
        raise RequestError(problems.NOT_FOUND, f"There is no guide `{name[:100]}`; there are {there}.") from None
    vary = {"vary": "accept"}
    if choose(accept, (MARKDOWN, MediaType.HTML)) == MARKDOWN:
        return Response(text, media_type=MARKDOWN, headers=vary)
    content = guides.as_html(name.removesuffix(".md"))
    back = '<p><a href="/docs/guides/">All guides</a></p>'
    return Response(page(f"guide {name}", f"{back}\n{content}"), media_type=MediaType.HTML, headers={**POLICY, **vary})


def create(registry: Registry, settings: Settings) -> list[Any]:
    """Return the routes; none of them is part of the documented API."""

    # Kept as bytes: no name that is asked for ever reaches the file system.
    files = {path.name: path.read_bytes() for path in STATIC.iterdir() if path.is_file()}

    @cache
    def document() -> bytes:
        from .openapi import text  # writes the document on first request: start-up does not wait for it

        return text(registry, settings).encode()

    @get("/openapi.json", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def openapi_json() -> Response[bytes]:
        return Response(document(), media_type="application/vnd.oai.openapi+json")

    @get("/docs", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def docs() -> Response[str]:
        return Response(DOCS, media_type=MediaType.HTML, headers=POLICY)

    @get("/docs/problems", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def list_problems() -> Response[str]:
        return Response(problems_page(), media_type=MediaType.HTML, headers=POLICY)

    @get("/docs/guides", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def list_guides() -> Response[str]:
        return Response(guides_page(), media_type=MediaType.HTML, headers=POLICY)

    @get("/docs/guides/{name:str}", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def guide(request: Request[Any, Any, Any], name: FromPath[str]) -> Response[str]:
        # the framework types the headers of a scope as any iterable; the protocol says list
        return guide_answer(name, accepted(request.scope["headers"]))

    @get("/docs/assets/{name:str}", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def asset(name: FromPath[str]) -> Response[bytes]:
        if name not in files:
            raise RequestError(NOT_FOUND, NOT_FOUND.remedy)
        return Response(files[name], media_type=guess_type(name)[0] or "text/plain")

    return [openapi_json, docs, list_problems, list_guides, guide, asset]
