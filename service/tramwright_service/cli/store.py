"""``tramwright store``: bring the farm's store up to date, copy it, check it."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, TypeVar

import click

if TYPE_CHECKING:  # the database's libraries are loaded when a command runs
    from ..farm.store import Store

T = TypeVar("T")

WHERE = click.option(
    "--store",
    "where",
    envvar="TRAMWRIGHT_STORE",
    required=True,
    help="Path of an SQLite file, or URL of a PostgreSQL database; TRAMWRIGHT_STORE where it is left out.",
)


@click.group()
def store() -> None:
    """The stored farm: upgrade, export, import, check."""


def run(where: str, task: Callable[[Store], Awaitable[T]], *, checked: bool = True, makes: bool = True) -> T:
    """Do something with a store; say why it cannot be done, and exit with 1.

    Args:
        where: path or URL.
        task: what is done.
        checked: whether its revision has to be that of this version.
        makes: whether a file that is not there is made; else a mistyped path would be a whole store without machines.
    """
    from ..farm.schema import check as check_revision
    from ..farm.store import StoreError, store_of
    from ..wire.problems import RequestError

    async def whole() -> T:
        opened = store_of(where, longest=None)  # a migration of a large table takes as long as it takes
        try:
            if opened.is_file and not makes and not Path(where).exists():
                raise StoreError(f"There is no file {where}.")
            if checked:
                await check_revision(opened)
            return await task(opened)
        finally:
            await opened.close()

    try:
        return asyncio.run(whole())
    except (StoreError, RequestError) as error:
        raise click.ClickException(str(error)) from None


@store.command()
@WHERE
def upgrade(where: str) -> None:
    """Bring a store to the revision that this version works with. Make a copy of it first."""
    from ..farm.schema import upgrade as bring

    before, after = run(where, bring, checked=False)
    click.echo(f"revision {after}, as before" if before == after else f"revision {before or 'none'} → {after}")


@store.command(name="export")
@WHERE
@click.argument("file", type=click.File("wb"))
def export_(where: str, file: IO[bytes]) -> None:
    """Write everything in a store to FILE (`-` for standard output), as lines of JSON."""
    from ..farm.transfer import export

    run(where, lambda opened: export(opened, file.write), makes=False)


@store.command(name="import")
@WHERE
@click.argument("file", type=click.File("rb"))
def import_(where: str, file: IO[bytes]) -> None:
    """Fill an empty store from FILE (`-` for standard input), which `export` wrote: all of it or nothing."""
    from ..farm.transfer import imported

    rows = run(where, lambda opened: opened.write(lambda connection: imported(connection, file)))
    click.echo(f"{rows} rows")


@store.command()
@WHERE
def check(where: str) -> None:
    """Say whether a store holds what was stored; exit with 1 where it does not."""
    from ..farm.transfer import faults

    if found := run(where, lambda opened: opened.read(lambda connection: [*faults(connection)]), makes=False):
        click.echo("\n".join(found), err=True)
        click.echo(f"{len(found)} faults; bring back a copy that is whole", err=True)
        sys.exit(1)
    click.echo("whole")
