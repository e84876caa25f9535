"""Commands that ask a running service: where it is, the key that it wants, and how it is asked."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import urlsplit

import click

F = TypeVar("F", bound=Callable[..., Any])

KEY = "TRAMWRIGHT_KEY"
"""Environment variable: the key that is sent where no file of one is given."""


def address(context: click.Context, parameter: click.Parameter, url: str | None) -> str | None:
    """Refuse what is no address of a service."""
    if url is None:
        return None
    try:
        parts = urlsplit(url)
        fits = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0 and not parts.query
    except ValueError:
        fits = False
    if not fits:
        raise click.BadParameter("give an address as http://host:8017 or https://host", context, parameter)
    return url


def key(context: click.Context, parameter: click.Parameter, file: Path | None) -> str | None:
    """Return the key in a file, or in the environment."""
    if context.params.get("url") is None:
        return None
    found = (file.read_text(errors="replace") if file is not None else os.environ.get(KEY, "")).strip()
    if not (found.isascii() and found.isprintable()):
        raise click.BadParameter("a key is one line of printable ASCII characters", context, parameter)
    return found or None


def of_service(says: str, default: str | None = None) -> Callable[[F], F]:
    """Add the options ``url`` and ``key`` to a command."""
    where = click.option(
        "--url", is_eager=True, callback=address, metavar="URL", help=says, default=default, show_default=bool(default)
    )
    file = click.Path(exists=True, dir_okay=False, path_type=Path)
    whose = click.option(
        "--key-file", "key", type=file, callback=key, metavar="PATH", help=f"File of the key for it; else {KEY}."
    )
    return lambda command: where(whose(command))


def asked(url: str, key: str | None, path: str, *documents: Any, **how: Any) -> bytes:
    """Return what a service answers, as :meth:`Remote.ask` does."""
    from ..execution.remote import Remote  # loads what asks over HTTP

    async def whole() -> bytes:
        service = Remote(url, key)
        try:
            return await service.ask(path, *documents, **how)
        finally:
            await service.aclose()

    return asyncio.run(whole())
