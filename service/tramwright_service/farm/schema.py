"""Which version a store has: checked at start, brought up to date by `tramwright store upgrade`."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import SQLAlchemyError

from .migrations import HEAD
from .store import Store, StoreError

HERE = Path(__file__).parent / "migrations"


def revision(connection: Connection) -> str | None:
    """Return the revision of a store, none where it is empty."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return found


def migrate(connection: Connection, to: str = HEAD) -> None:
    """Bring a store to a revision, inside the transaction of the connection."""
    from alembic import command  # takes longer to load than all else, and is needed once in the life of a store
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(HERE))
    config.attributes["connection"] = connection
    command.upgrade(config, to)


async def upgrade(store: Store, to: str = HEAD) -> tuple[str | None, str]:
    """Bring a store to a revision; return the one it had and the one it has.

    Raises:
        StoreError: it is of a later version than this service, or a file of something else.
        RequestError: it cannot be reached or written.
    """

    def write(connection: Connection) -> str | None:
        before = revision(connection)
        if before is not None and not list(HERE.glob(f"versions/{before}_*.py")):
            raise StoreError(f"The store has revision {before}, which this version does not know; install a newer one.")
        if before is None and store.is_file and inspect(connection).get_table_names():
            raise StoreError("The file holds the tables of something else; name another, or one that is not there yet.")
        migrate(connection, to)
        return before

    return await store.write(write), to


async def check(store: Store) -> None:
    """Say whether this service can work with a store; an SQLite file that is new or empty is made ready.

    Raises:
        StoreError: it cannot be opened, or is of another version; the message says what to do.
    """
    try:
        found = await store.run(revision)
    except (SQLAlchemyError, OSError) as error:
        cause = getattr(error, "orig", None) or error
        raise StoreError(f"The store cannot be opened: {cause}") from error
    if found is None and store.is_file:
        await upgrade(store)
    elif found is None or found < HEAD:
        raise StoreError(
            f"The store has {f'revision {found}' if found else 'no tables yet'} and this version works with {HEAD}; "
            "make a copy of it and run `tramwright store upgrade`."
        )
    elif found > HEAD:
        raise StoreError(f"The store has revision {found}, later than this version knows; install a newer one.")
