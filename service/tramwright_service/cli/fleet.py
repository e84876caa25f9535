"""``tramwright fleet``: how every machine of a running service stands, and what each visit takes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import click

from .answering import told_or_exit
from .service import asked, of_service

if TYPE_CHECKING:
    from ..wire.stored import Fleet, MachineStanding

STANDINGS = ("outside", "undecided", "never-surveyed", "stale", "within")
"""Those of :mod:`..wire.stored`, which help must not load."""
PAGE = 1000
COLUMNS = ("machine", "site", "standing", "total", "limit", "surveyed", "visit")


@click.command()
@click.argument("machine", required=False)
@of_service("Address of the service.", "http://127.0.0.1:8017")
@click.option("--standing", type=click.Choice(STANDINGS), help="Only machines that stand so.")
@click.option("--site", help="Only machines that stand at this site.")
@click.option("--tag", help="Only machines with this tag.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, as the service answers it.")
def fleet(machine: str | None, url: str, key: str | None, as_json: bool, **filters: str | None) -> None:
    """List how every machine of a service with a store stands, the worst first, and what a visit to it takes.

    With MACHINE tell the history of that one: what drifts, what jumped, and when to survey it next.
    """
    import msgspec

    from ..wire.media_types import JSON, TEXT

    if machine is not None:
        if any(filters.values()):
            raise click.UsageError("--standing, --site and --tag choose among machines; MACHINE is one already.")
        path, form = f"/v1/machines/{quote(machine, safe='')}/history", JSON if as_json else TEXT
        click.echo(told_or_exit(lambda: asked(url, key, path, wanted=form)).decode().rstrip("\n"))
        return
    found = told_or_exit(lambda: listed(url, key, filters))
    if as_json:
        click.echo(msgspec.json.encode(found).decode())
        return
    from ..wire.plain import plain

    counts = {name.replace("_", " "): count for name, count in msgspec.structs.asdict(found.counts).items() if count}
    count = sum(counts.values())
    told = ", ".join(f"{number} {name}" for name, number in counts.items())
    click.echo(f"{count} machine{'' if count == 1 else 's'}{': ' if told else ''}{told}.")
    rows = [COLUMNS, *([plain(cell) for cell in cells(one)] for one in found.machines)]
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows if count else ():  # nothing is cut off, however wide a name is
        click.echo("  ".join(map(str.ljust, row, wide)).rstrip())


def listed(url: str, key: str | None, filters: dict[str, Any]) -> Fleet:
    """Return the whole fleet, page by page, as of the first page.

    Raises:
        Told, RequestError: the service does not tell it.
    """
    import msgspec

    from ..wire.stored import Fleet

    query = {name: value for name, value in filters.items() if value is not None} | {"limit": PAGE}
    whole = msgspec.json.decode(asked(url, key, "/v1/fleet", query=query), type=Fleet)
    page = whole
    while page.next is not None:
        page = msgspec.json.decode(asked(url, key, "/v1/fleet", query={**query, "cursor": page.next}), type=Fleet)
        whole.machines.extend(page.machines)
    return msgspec.structs.replace(whole, next=None)


def cells(one: MachineStanding) -> list[str]:
    """Return the row of a machine."""
    from tramwright_solvers.model.units import DECIMALS

    digits = DECIMALS[one.units]
    total, limit = (f"{value:.{digits}f} {one.units}" if value is not None else "" for value in (one.total, one.limit))
    visit = " ".join([one.visit.do.replace("-", " "), ", ".join(one.visit.adjusters)]).strip()
    return [one.id, one.site or "", one.standing.replace("-", " "), total, limit, (one.taken_at or "")[:10], visit]
