"""Services that ask for keys, and keys for them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from click.testing import CliRunner
from litestar.testing import TestClient

from farm_client import Client
from tramwright_service.cli.main import main
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_service.wire.access import KEY, SCOPES
from tramwright_solvers.mechanisms.registry import Registry


def command(*words: str) -> Any:
    return CliRunner().invoke(main, ["keys", *words])


def made(where: str, name: str, *more: str) -> str:
    """A new key of a store."""
    told = command("add", name, "--store", where, *more)
    assert told.exit_code == 0, told.output
    key: str = told.stdout.strip()
    assert KEY.fullmatch(key)
    return key


def of_each_scope(where: str) -> dict[str, str]:
    """A key of each scope, named after it."""
    return {scope: made(where, scope, "--scope", scope) for scope in SCOPES}


def bearing(key: str) -> dict[str, str]:
    return {"authorization": f"Bearer {key}"}


@contextmanager
def asking(where: str, registry: Registry, **more: Any) -> Iterator[Client]:
    """A service that asks for keys."""
    settings = Settings(store=where, access="keys", **{"log_level": "error", **more})
    with TestClient(create_app(settings, registry), raise_server_exceptions=False) as client:
        yield client
