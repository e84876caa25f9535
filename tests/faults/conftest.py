"""A real service for the commands that ask one."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from processes import served


@pytest.fixture(scope="session")
def url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where it is; it has a store."""
    store = tmp_path_factory.mktemp("remote") / "farm.db"
    with served(store=str(store), log_level="error") as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is asked of this host goes through none, whatever the environment says."""
    monkeypatch.setenv("no_proxy", "127.0.0.1")
