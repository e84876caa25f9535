"""``/bench/…``: the pages for the person at the machine, and the files that they load."""

from __future__ import annotations

from collections.abc import Callable
from mimetypes import guess_type
from typing import Any

from litestar import MediaType, Request, Response, get
from litestar.datastructures import Cookie
from litestar.params import FromPath

from tramwright_solvers.mechanisms.registry import Registry

from ..pages import render
from ..pages.machine import machine_data
from ..wire.accept import ranges
from ..wire.problems import NOT_FOUND, RequestError

LANGUAGE = "tramwright_language"
"""The cookie that remembers the language chosen on a page; it holds nothing else."""
YEAR = 365 * 24 * 3600
HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "referrer-policy": "no-referrer",
    "vary": "accept-language, cookie",
}


def create(registry: Registry) -> list[Any]:
    """Return the routes; pages are for people, so the OpenAPI document only names them."""
    data: dict[str, Callable[[], bytes]] = {
        "/bench/machine": lambda: render.encoded(machine_data(registry)),
    }

    @get([*render.PAGES], include_in_schema=False, sync_to_thread=False)
    def page(request: Request[Any, Any, Any]) -> Response[str]:
        path = request.url.path.rstrip("/")
        chosen = request.query_params.get("language")
        wanted = ranges(request.headers.get("accept-language", ""))
        language = render.language_of(chosen or request.cookies.get(LANGUAGE), wanted)
        kept = (
            [Cookie(key=LANGUAGE, value=language, path="/bench", max_age=YEAR, samesite="lax")]
            if chosen == language
            else []
        )
        written = render.write(path, language, data.get(path, lambda: b"{}")())
        return Response(written, media_type=MediaType.HTML, headers=HEADERS, cookies=kept)

    @get("/bench/assets/{name:str}", include_in_schema=False, sync_to_thread=False)
    def asset(name: FromPath[str]) -> Response[bytes]:
        if name not in render.FILES:
            raise RequestError(NOT_FOUND, NOT_FOUND.remedy)
        return Response(render.FILES[name], media_type=guess_type(name)[0] or "text/plain")

    return [page, asset]
