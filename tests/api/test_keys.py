"""Keys as they are made, listed and taken away, and as a service holds them in memory."""

from __future__ import annotations

import asyncio
import re
from typing import Any

import pytest

import stores
from farm_client import refused
from keyed import asking, bearing, command, made
from tramwright_service.farm import keys as kept
from tramwright_service.farm.store import store_of, unavailable
from tramwright_service.farm.tables import KEYS
from tramwright_solvers.mechanisms.registry import Registry


def test_keys_are_held_for_a_while_without_their_store_and_not_for_longer(
    registry: Registry, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    where, now, reads = stores.ready(str(tmp_path / "farm.db")), 1000.0, 0
    key, read = made(where, "dashboard"), kept.Keys.all
    monkeypatch.setattr(kept, "monotonic", lambda: now)

    async def lost(_: Any) -> list[kept.Key]:
        nonlocal reads
        reads += 1
        raise unavailable()

    with asking(where, registry) as client:

        def ask() -> Any:
            return client.get("/v1/solvers", headers=bearing(key))

        assert ask().status_code == 200
        monkeypatch.setattr(kept.Keys, "all", lost)
        now += kept.OLDEST
        assert [ask().status_code for _ in range(3)] == [200] * 3
        assert reads > 0
        now += 0.1
        refused(ask(), 503, "store-unavailable")
        assert ask().headers["retry-after"]
        monkeypatch.setattr(kept.Keys, "all", read)
        assert ask().status_code == 200


def test_keys_that_are_made_up_are_refused_from_memory(
    registry: Registry, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    where, now, reads = stores.ready(str(tmp_path / "farm.db")), 1000.0, 0
    key, read = made(where, "dashboard"), kept.Keys.all
    monkeypatch.setattr(kept, "monotonic", lambda: now)

    async def counted(keys: kept.Keys) -> list[kept.Key]:
        nonlocal reads
        reads += 1
        return await read(keys)

    monkeypatch.setattr(kept.Keys, "all", counted)
    with asking(where, registry) as client:
        for second in range(3):
            for number in range(20):
                unknown = "twk_" + "abcdefghijklmnopqrst"[number] * 8 + key[12:]
                assert client.get("/v1/solvers", headers=bearing(unknown)).status_code == 401
            assert reads == second + 1
            now += kept.FRESH + 0.1


@pytest.mark.parametrize("kind", stores.KINDS)
def test_keys_are_made_listed_and_revoked(kind: str, tmp_path: Any) -> None:
    where = stores.fresh(kind, tmp_path)
    first, second = made(where, "dashboard", "--scope", "submit"), made(where, "post", "--days", "30")
    assert first != second
    again = command("add", "dashboard", "--store", where)
    assert (again.exit_code, again.stdout) == (1, "")
    listed = command("list", "--store", where).output
    assert re.search(rf"^dashboard  {first[4:12]}  submit +\S+  never +never$", listed, re.MULTILINE)
    assert re.search(rf"^post +{second[4:12]}  read +\S+  never +20\d\d-\d\d-\d\d$", listed, re.MULTILINE)
    assert first[13:] not in listed
    assert command("revoke", "dashboard", "--store", where).exit_code == 0
    assert command("revoke", "dashboard", "--store", where).exit_code == 1
    assert "dashboard" not in command("list", "--store", where).output
    assert command("add", "a\x1bb", "--store", where).exit_code == 2

    async def columns() -> list[Any]:
        store = store_of(where)
        try:
            return list(await store.read(lambda connection: connection.execute(KEYS.select()).all()))
        finally:
            await store.close()

    assert second not in repr(asyncio.run(columns()))  # it is stored nowhere


def test_an_export_holds_no_keys(tmp_path: Any) -> None:
    from click.testing import CliRunner

    from tramwright_service.cli.main import main

    where = stores.ready(str(tmp_path / "farm.db"))
    made(where, "dashboard")
    told = CliRunner().invoke(main, ["store", "export", "--store", where, "-"])
    assert told.exit_code == 0
    assert "dashboard" not in told.output


def test_the_hour_of_the_last_use_is_kept(registry: Registry, tmp_path: Any) -> None:
    where = stores.ready(str(tmp_path / "farm.db"))
    key = made(where, "dashboard")
    with asking(where, registry) as client:
        client.get("/v1/fleet", headers=bearing(key))
    assert re.search(r"dashboard .* \d{4}-\d\d-\d\dT\d\dh  never", command("list", "--store", where).output)
