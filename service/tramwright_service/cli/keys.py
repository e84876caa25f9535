"""``tramwright keys``: make, list and revoke the keys of a service; and whether one that starts asks for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ..wire.access import SCOPES, Scope
from .store import WHERE, run

if TYPE_CHECKING:  # the database's libraries are loaded when a command runs
    from ..farm.store import Store
    from ..settings import Settings


@click.group()
def keys() -> None:
    """API keys, kept in the store: add, list, revoke."""


@keys.command()
@WHERE
@click.argument("name")
@click.option(
    "--scope",
    type=click.Choice(SCOPES),
    default=SCOPES[0],
    show_default=True,
    help="What it may do; each scope includes those before it.",
)
@click.option("--days", type=click.IntRange(1, 36500), help="Days after which it expires; never, where left out.")
def add(where: str, name: str, scope: Scope, days: int | None) -> None:
    """Make a key called NAME and print it. It is shown this once: the store keeps its SHA-256."""
    import msgspec

    from tramwright_solvers.model.quantities import Name

    from ..farm.keys import Keys

    try:
        msgspec.convert(name, Name)
    except msgspec.ValidationError as error:
        raise click.BadParameter(f"{error}; choose another name.", param_hint="NAME") from None
    click.echo(run(where, lambda store: Keys(store).add(name, scope, days)))
    click.echo("Keep it where only its user reads it: it is not shown again.", err=True)


@keys.command(name="list")
@WHERE
def list_(where: str) -> None:
    """List every key: its name, id and scope, when it was made and used last (by the hour), when it expires."""
    from ..farm.keys import Keys
    from ..farm.times import shown

    rows = [("name", "id", "scope", "made", "last used", "expires")]
    for key in run(where, lambda store: Keys(store).all(), makes=False):
        expires = "never" if key.expires_at is None else shown(key.expires_at)[:10]
        used = "never" if key.used_at is None else f"{shown(key.used_at)[:13]}h"
        expires = f"{expires} (over)" if key.expired else expires
        rows.append((key.name, key.id, key.scope, shown(key.made_at)[:10], used, expires))
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, wide, strict=True)).rstrip())


@keys.command()
@WHERE
@click.argument("name")
def revoke(where: str, name: str) -> None:
    """Take the key called NAME away. Services stop taking it within five seconds."""
    from ..farm.keys import OLDEST, Keys

    run(where, lambda store: Keys(store).revoke(name), makes=False)
    click.echo(f"{name} is revoked; services that run stop taking it within {OLDEST:g} seconds.")


def decided(settings: Settings, host: str) -> Settings:
    """Return the settings with who may ask made plain: not `auto`.

    Raises:
        click.UsageError: keys are to be asked for, and there is none.
    """
    from msgspec.structs import replace

    from ..http.access import is_loopback

    if settings.access == "auto" and is_loopback(host):
        return replace(settings, access="local")
    if settings.access in ("anyone", "local"):
        return settings
    if settings.store == "none" or not run(settings.store, _any):
        raise click.UsageError(
            ("" if settings.access == "keys" else f"{host} may be reached from other hosts, so keys are asked for. ")
            + "There is none: make one with `tramwright keys add NAME --store STORE`, and serve that store. Where "
            "something before the service asks who they are, such as a reverse proxy, say `--access anyone` instead: "
            "whoever reaches this address may then read and change everything."
        )
    return replace(settings, access="keys")


async def _any(store: Store) -> bool:
    from ..farm.keys import Keys

    return any(not key.expired for key in await Keys(store).all())
