"""``/bench/…``, ``/farm`` and the card: pages for people, and the files that they load."""

from __future__ import annotations

from collections.abc import Callable
from mimetypes import guess_type
from typing import Any

from litestar import MediaType, Request, Response, get
from litestar.datastructures import Cookie
from litestar.params import FromPath

from tramwright_solvers.mechanisms.registry import Registry

from ..maps.colours import COLOURS, THEMES
from ..pages import render
from ..pages.machine import machine_data
from ..settings import Settings
from ..wire.accept import ranges
from ..wire.problems import NOT_FOUND, RequestError
from .access import OPEN

LANGUAGE = "tramwright_language"
"""The cookie that remembers the language chosen on a page; it holds nothing else."""
YEAR = 365 * 24 * 3600


def headers(ancestors: str) -> dict[str, str]:
    """Return the headers of a page; ``ancestors`` are the sources whose pages may embed it."""
    return {
        "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: "
        f"data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors {ancestors}",
        "referrer-policy": "no-referrer",
        "vary": "accept-language, cookie",
    }


ALONE = headers("'none'")


def create(registry: Registry, settings: Settings) -> list[Any]:
    """Return the routes; pages are for people, so the OpenAPI document only names them."""
    stored = {"stored": settings.store != "none"}
    data: dict[str, Callable[[], bytes]] = {
        "farm": lambda: render.encoded({**stored, "colours": COLOURS}),
        "bench": lambda: render.encoded(stored),
        "machine": lambda: render.encoded({**machine_data(registry), **stored}),
    }
    embedded = headers(settings.embedders)

    def language_for(request: Request[Any, Any, Any]) -> tuple[str, list[Cookie]]:
        chosen = request.query_params.get("language")
        wanted = ranges(request.headers.get("accept-language", ""))
        language = render.language_of(chosen or request.cookies.get(LANGUAGE), wanted)
        kept = Cookie(key=LANGUAGE, value=language, path="/", max_age=YEAR, samesite="lax")
        return language, [kept] if chosen == language else []

    @get([*render.PAGES], include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def page(request: Request[Any, Any, Any]) -> Response[str]:
        name = render.PAGES[request.url.path.rstrip("/")]
        language, kept = language_for(request)
        written = render.write(name, language, data[name]())
        return Response(written, media_type=MediaType.HTML, headers=ALONE, cookies=kept)

    @get("/farm/machines/{machine:str}/card", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def card(request: Request[Any, Any, Any]) -> Response[str]:
        # The same for every machine: what is shown of one is asked for by the script, which may need a key for it.
        theme = request.query_params.get("theme")
        about = render.encoded({"theme": theme if theme in THEMES else None})
        written = render.write(render.CARD, language_for(request)[0], about)
        return Response(written, media_type=MediaType.HTML, headers=embedded)

    @get("/bench/assets/{name:str}", include_in_schema=False, sync_to_thread=False, opt=OPEN)
    def asset(name: FromPath[str]) -> Response[bytes]:
        if name not in render.FILES:
            raise RequestError(NOT_FOUND, NOT_FOUND.remedy)
        return Response(render.FILES[name], media_type=guess_type(name)[0] or "text/plain")

    return [page, card, asset]
