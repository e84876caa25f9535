"""``/openapi.json``, ``/docs`` and ``/docs/problems``: all from files of our own, for a workshop without internet."""

from __future__ import annotations

from functools import cache
from html import escape
from pathlib import Path
from typing import Any

from litestar import MediaType, Response, get
from litestar.static_files import create_static_files_router

from tramwright_solvers.mechanisms.registry import Registry

from ..settings import Settings
from ..wire.problems import KINDS

STATIC = Path(__file__).parent / "static"

POLICY = {
    "content-security-policy": "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; "
    "base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
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


def problems_page() -> str:
    """Return the page that the ``type`` of every problem refers to."""
    rows = "\n".join(
        f'<h2 id="{kind.slug}">{escape(kind.title)}</h2>\n<p>Status {kind.status}. {escape(kind.remedy)}</p>'
        for kind in KINDS
    )
    head = f"{HEAD}<title>Tramwright: problems</title>\n</head>\n"
    return f"{head}<body>\n<main>\n<h1>Problems</h1>\n{rows}\n</main>\n</body>\n</html>\n"


def create(registry: Registry, settings: Settings) -> list[Any]:
    """Return the routes; none of them is part of the documented API."""

    @cache
    def document() -> bytes:
        from .openapi import text  # writes the document on first request: start-up does not wait for it

        return text(registry, settings).encode()

    @get("/openapi.json", include_in_schema=False, sync_to_thread=False)
    def openapi_json() -> Response[bytes]:
        return Response(document(), media_type="application/vnd.oai.openapi+json")

    @get("/docs", include_in_schema=False, sync_to_thread=False)
    def docs() -> Response[str]:
        return Response(DOCS, media_type=MediaType.HTML, headers=POLICY)

    @get("/docs/problems", include_in_schema=False, sync_to_thread=False)
    def problems() -> Response[str]:
        return Response(problems_page(), media_type=MediaType.HTML, headers=POLICY)

    assets = create_static_files_router("/docs/assets", directories=[STATIC], include_in_schema=False)
    return [openapi_json, docs, problems, assets]
