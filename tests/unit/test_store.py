"""The store beside the service: revisions, export and import, what damage is found, what failures mean to a client."""

from __future__ import annotations

import asyncio
import json
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from click.testing import CliRunner
from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError, IntegrityError, InterfaceError

import stores
from tramwright_service.cli import store as commands
from tramwright_service.cli.main import main
from tramwright_service.farm import schema, transfer
from tramwright_service.farm import store as database
from tramwright_service.farm.migrations import HEAD
from tramwright_service.farm.store import StoreError, store_of, told
from tramwright_service.farm.tables import METADATA
from tramwright_service.wire.problems import RequestError

FIRST = Path(__file__).parents[1] / "stored" / "0001.ndjson"
"""A farm as the first revision stored it; all in it is invented. It is never made anew."""


def command(*words: str, feed: bytes | None = None) -> Any:
    return CliRunner().invoke(main, ["store", *words], input=feed)


def done(where: str, work: Callable[[Connection], Any]) -> Any:
    """Do something in a transaction of a store, whatever its revision."""

    async def whole() -> Any:
        store = store_of(where)
        try:
            return await store.run(work, writes=True)
        finally:
            await store.close()

    return asyncio.run(whole())


@pytest.fixture(params=stores.KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


def of_first_revision(kind: str, folder: Path) -> str:
    """A store that has the first revision and its farm, written without the tables of this version."""
    where = str(folder / "old.db") if kind == "sqlite" else stores.database(stores.server().url)
    _, *rows, _ = map(json.loads, FIRST.read_text().splitlines())

    def write(connection: Connection) -> None:
        schema.migrate(connection, "0001")
        for one in rows:
            values = {
                name: json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode()
                if isinstance(value, dict | list)
                else value
                for name, value in one["row"].items()
            }
            columns = ", ".join(f'"{name}"' for name in values)
            given = ", ".join(f":{name}" for name in values)
            connection.execute(text(f"INSERT INTO {one['table']} ({columns}) VALUES ({given})"), values)

    done(where, write)
    return where


def test_a_store_of_the_first_revision_opens_with_its_data_after_the_last(kind: str, tmp_path: Path) -> None:
    where = of_first_revision(kind, tmp_path)
    assert command("upgrade", "--store", where).exit_code == 0
    checked = command("check", "--store", where)
    assert (checked.exit_code, checked.output) == (0, "whole\n")
    _, *rows, _ = map(json.loads, FIRST.read_text().splitlines())
    _, *now, _ = map(json.loads, command("export", "--store", where, "-").output.splitlines())
    for before, after in zip(rows, now, strict=True):
        assert before["row"].items() <= after["row"].items()


def test_the_revision_that_the_code_names_is_the_last_and_makes_the_tables_of_the_code(
    kind: str, tmp_path: Path
) -> None:
    config = Config()
    config.set_main_option("script_location", str(schema.HERE))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_current_head() == HEAD

    def differences(connection: Connection) -> Any:
        from alembic.autogenerate import compare_metadata
        from alembic.migration import MigrationContext

        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return compare_metadata(context, METADATA)

    where = stores.fresh(kind, tmp_path)
    command("upgrade", "--store", where)
    assert done(where, differences) == []


@pytest.fixture(scope="module")
def now(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same farm as this version exports it."""
    folder = tmp_path_factory.mktemp("now")
    where = of_first_revision("sqlite", folder)
    command("upgrade", "--store", where)
    command("export", "--store", where, str(folder / "now.ndjson"))
    return folder / "now.ndjson"


def test_an_export_is_the_same_from_both_databases_and_imports_into_each(now: Path, tmp_path: Path) -> None:
    lines = now.read_bytes()
    for kind in (*stores.KINDS, "sqlite"):
        where = stores.fresh(kind, tmp_path)
        filled = command("import", "--store", where, "-", feed=lines)
        assert filled.output == f"{len(lines.splitlines()) - 2} rows\n"
        lines, before = command("export", "--store", where, "-").stdout_bytes, lines
        assert lines == before
        assert "already" in command("import", "--store", where, "-", feed=lines).output


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda lines: lines[:-1], "The last line is missing"),
        (lambda lines: lines[:1], "The last line is missing"),
        (lambda lines: [], "Line 1 is none of an export"),
        (lambda lines: [*lines[:-2], lines[-1]], "not those that were exported"),
        (lambda lines: [lines[0], *lines[4:]], "rows do not go together"),
        (lambda lines: [b'{"revision":"9999"}', *lines[1:]], "this version reads revision"),
        (lambda lines: [line.replace(b"ran into", b"run into") for line in lines], "the document is not the one"),
        (lambda lines: [line.replace(b"hall 2", b"hall 3") for line in lines], "the document is not the one"),
        (lambda lines: [line.replace(b'"table":"tags"', b'"table":"labels"') for line in lines], "no table `labels`"),
        (lambda lines: [line.replace(b'"tag"', b'"label"') for line in lines], "the columns are not those"),
        (lambda lines: [line.replace(b'"version":1', b'"version":"one"') for line in lines], "Expected"),
        (
            lambda lines: [line.replace(b'"version":1', b'"version":18446744073709551616') for line in lines],
            "larger than",
        ),
        (lambda lines: [lines[0], b"nonsense"], "Line 2 is none of an export"),
        (lambda lines: [line.replace(b'"id":"wren"', b'"id":"wr/en"') for line in lines], "called 'wr/en'"),
        (lambda lines: [line.replace(b'"id":"wren"', b'"id":".."') for line in lines], "called '..'"),
    ],
)
def test_what_is_no_whole_export_is_refused_and_leaves_the_store_empty(
    change: Callable[[list[bytes]], list[bytes]], says: str, now: Path, tmp_path: Path
) -> None:
    where = str(tmp_path / "farm.db")
    feed = b"".join(line + b"\n" for line in change(now.read_bytes().splitlines()))
    refused = command("import", "--store", where, "-", feed=feed)
    assert refused.exit_code == 1
    assert says in refused.output
    assert done(where, lambda connection: connection.execute(text("SELECT count(*) FROM machines")).scalar()) == 0


DAMAGES = {
    "a document": (
        "UPDATE surveys SET document = CAST('{}' AS {blob}) WHERE number = 1",
        "surveys machine kestrel, number 1",
    ),
    "a survey that is gone": (
        "DELETE FROM corrections WHERE machine = 'kestrel' AND number = 2",
        "`kestrel` does not have as many corrections",
    ),
    "a standing": ("UPDATE machines SET standing = 'within' WHERE id = 'wren'", "`wren` does not stand as"),
    "a number": ("UPDATE machines SET notes = 3 WHERE id = 'wren'", "`wren` does not have as many notes"),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_damage_is_found_and_said(damage: str, kind: str, now: Path, tmp_path: Path) -> None:
    where = stores.fresh(kind, tmp_path)
    command("import", "--store", where, str(now))
    statement, says = DAMAGES[damage]
    done(
        where,
        lambda connection: connection.execute(
            text(statement.replace("{blob}", "BLOB" if kind == "sqlite" else "BYTEA"))
        ),
    )
    checked = command("check", "--store", where)
    assert checked.exit_code == 1
    assert says in checked.output
    if damage == "a document":
        assert "damaged" in command("export", "--store", where, "-").output


def test_a_file_that_is_not_whole_is_said(now: Path, tmp_path: Path) -> None:
    path = tmp_path / "farm.db"
    command("import", "--store", str(path), str(now))
    with sqlite3.connect(path) as file:
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = file.execute("PRAGMA page_size").fetchone()
        (root,) = file.execute("SELECT rootpage FROM sqlite_master WHERE name = 'corrections'").fetchone()
    file.close()
    content = bytearray(path.read_bytes())
    content[(root - 1) * page : root * page] = b"\xff" * page
    path.write_bytes(content)
    checked = command("check", "--store", str(path))
    assert checked.exit_code == 1
    assert re.search("integrity_check|not whole", checked.output)
    path.write_bytes(b"no database at all" * 400)
    refused = command("check", "--store", str(path))
    assert refused.exit_code == 1
    assert "The store cannot be opened" in refused.output


def test_the_service_refuses_a_store_of_another_revision_and_says_the_command(kind: str, tmp_path: Path) -> None:
    def serve(where: str) -> str:
        ended = CliRunner().invoke(main, ["serve", "--store", where, "--port", "0"])
        assert ended.exit_code == 1
        return ended.output

    where = stores.fresh(kind, tmp_path)
    command("upgrade", "--store", where)
    for revision, says in (("0000", "tramwright store upgrade"), ("9999", "install a newer one")):
        done(
            where,
            lambda connection, to=revision: connection.execute(
                text(f"UPDATE alembic_version SET version_num = '{to}'")
            ),
        )
        assert says in serve(where)
    assert "install a newer one" in command("upgrade", "--store", where).output
    if kind == "postgresql":
        assert "no tables yet" in serve(stores.database(stores.server().url))


def test_a_store_that_is_none_is_refused_with_what_it_may_be(tmp_path: Path) -> None:
    for where in ("mysql://host/farm", "postgresql://host:port/farm", str(tmp_path / "no-such-folder" / "farm.db")):
        refused = command("check", "--store", where)
        assert refused.exit_code == 1
        assert "Traceback" not in refused.output
    assert "path of an SQLite file or" in command("check", "--store", "mysql://host/farm").output
    with pytest.raises(StoreError):
        store_of("https://host/farm")


def test_a_file_of_something_else_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "else.db"
    with sqlite3.connect(path) as file:
        file.execute("CREATE TABLE birds (name TEXT)")
    file.close()
    for refused in (command("check", "--store", str(path)), command("upgrade", "--store", str(path))):
        assert refused.exit_code == 1
        assert "tables of something else" in refused.output
    with sqlite3.connect(path) as file:
        assert file.execute("SELECT name FROM sqlite_master").fetchall() == [("birds",)]
    file.close()


def test_a_store_that_is_not_there_is_not_taken_for_an_empty_one(tmp_path: Path) -> None:
    path = tmp_path / "mistyped.db"
    for words in (
        ["store", "check", "--store", str(path)],
        ["store", "export", "--store", str(path), "-"],
        ["keys", "list", "--store", str(path)],
        ["keys", "revoke", "office", "--store", str(path)],
    ):
        refused = CliRunner().invoke(main, words)
        assert refused.exit_code == 1
        assert f"There is no file {path}" in refused.output
    assert not path.exists()


def test_the_path_of_a_file_is_taken_as_it_is_and_no_store_is_in_memory_alone(tmp_path: Path) -> None:
    path = tmp_path / "100%25?mode=memory#1.db"
    command("upgrade", "--store", str(path))
    assert [one.name for one in tmp_path.iterdir() if not one.name.endswith(("-wal", "-shm"))] == [path.name]
    for where in ("", ":memory:"):
        with pytest.raises(StoreError):
            store_of(where)


def test_a_file_that_may_only_be_read_is_read_and_not_written(
    now: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = str(tmp_path / "farm.db")
    command("import", "--store", where, str(now))
    monkeypatch.setattr(database, "PRAGMAS", (*database.PRAGMAS, "PRAGMA query_only=ON"))

    async def tried() -> int:
        store = store_of(where)
        with pytest.raises(RequestError) as refused:
            await store.write(lambda connection: connection.execute(text("DELETE FROM notes")))
        assert (refused.value.kind.slug, refused.value.headers) == ("store-unavailable", {"Retry-After": "2"})
        read: int = await store.read(lambda c: c.execute(text("SELECT count(*) FROM notes")).scalar_one())
        await store.close()
        return read

    assert asyncio.run(tried()) == 1


class Failure(Exception):
    """A failure as a driver raises it."""

    def __init__(self, sqlstate: str | None = None, sqlite: int | None = None) -> None:
        super().__init__("it failed")
        if sqlstate is not None:
            self.sqlstate = sqlstate
        if sqlite is not None:
            self.sqlite_errorcode = sqlite


# codes of PostgreSQL: its manual, appendix A; of SQLite: its page "Result and Error Codes"
@pytest.mark.parametrize(
    ("failure", "slug"),
    [
        (Failure("53100"), "store-full"),  # disk_full
        (Failure("25006"), "store-unavailable"),  # read_only_sql_transaction
        (Failure("57P01"), "store-unavailable"),  # admin_shutdown
        (Failure("57P03"), "store-unavailable"),  # cannot_connect_now
        (Failure("40P01"), "store-unavailable"),  # deadlock_detected
        (Failure("53300"), "store-unavailable"),  # too_many_connections
        (Failure("08006"), "store-unavailable"),  # connection_failure
        (Failure("XX001"), "store-damaged"),  # data_corrupted
        (Failure(sqlite=sqlite3.SQLITE_FULL), "store-full"),
        (Failure(sqlite=sqlite3.SQLITE_BUSY), "store-unavailable"),
        (Failure(sqlite=sqlite3.SQLITE_IOERR_FSYNC), "store-unavailable"),
        (Failure(sqlite=sqlite3.SQLITE_READONLY_DBMOVED), "store-unavailable"),
        (Failure(sqlite=sqlite3.SQLITE_CORRUPT_INDEX), "store-damaged"),
        (Failure(sqlite=sqlite3.SQLITE_NOTADB), "store-damaged"),
        (Failure("42P01"), None),  # undefined_table: a fault of ours
        (Failure(sqlite=sqlite3.SQLITE_CONSTRAINT), None),
    ],
)
def test_what_a_failure_of_the_database_means_to_a_client(failure: Failure, slug: str | None) -> None:
    error = DBAPIError("SELECT", {}, failure)
    answer = told(error)
    assert (answer.kind.slug if isinstance(answer, RequestError) else None) == slug
    if slug is None:
        assert answer is error


def test_a_store_that_is_lost_while_it_is_exported_is_said() -> None:
    async def exported() -> None:
        store = store_of("postgresql://nobody@127.0.0.1:1/none")
        try:
            await transfer.export(store, bytes)
        finally:
            await store.close()

    with pytest.raises(RequestError) as refused:
        asyncio.run(exported())
    assert refused.value.kind.slug == "store-unavailable"


def test_a_lost_connection_without_a_code_may_be_tried_again_and_a_broken_rule_may_not() -> None:
    lost = told(InterfaceError("SELECT", {}, Failure()))
    assert isinstance(lost, RequestError)
    assert isinstance(told(ConnectionRefusedError()), RequestError)
    broken = IntegrityError("INSERT", {}, Failure())
    assert told(broken) is broken


def test_a_command_waits_for_a_long_statement_and_the_service_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a migration of a large table would be."""
    where = stores.fresh("postgresql", tmp_path)
    monkeypatch.setattr(store_of, "__defaults__", (0.1,))  # what the service waits for

    def slow(connection: Connection) -> None:
        connection.execute(text("SELECT pg_sleep(0.5)"))

    commands.run(where, lambda opened: opened.read(slow))

    async def served() -> None:
        opened = store_of(where)
        try:
            await opened.read(slow)
        finally:
            await opened.close()

    with pytest.raises(RequestError):
        asyncio.run(served())
