"""The command line: serve, correct, and list what is installed.

Imports of the web framework and of the numerics are inside the commands, so that help and listings come at once.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from .answering import answer_or_exit
from .batch import INTERRUPTED, batch
from .correct import correct
from .demo import demo
from .fleet import fleet
from .keys import decided, keys
from .machine import machine
from .service import asked, of_service
from .solver import solver
from .store import run, store

if TYPE_CHECKING:
    from tramwright_solvers.mechanisms.registry import Registry

FIRST = "twisted-frame"
"""The example that a new user is shown."""
ASKED = {
    "survey-plans": "Where to read?",
    "reversals": "Plate or gantry: whose error is it?",
    "comparisons": "What moved between two surveys?",
    "height-checks": "Does the bed tilt as it rises?",
}
"""The questions of :mod:`..catalogue.endpoints`, which help must not load."""


class Commands(click.Group):
    """Commands whose answer may find no place."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; where what it prints finds no place any more, say so."""
        try:
            return super().invoke(ctx)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise
            raise click.ClickException(f"{error.strerror}: the answer is not whole.") from None


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="tramwright", message="%(version)s")
def main() -> None:
    """From dial readings over a machine bed to the moves that make bed and tool plane parallel.

    `tramwright guide` lists the guides, `tramwright example` the payloads to start from.
    """


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", default=8017, show_default=True, type=click.IntRange(0, 65535), help="Port to listen on.")
@click.option(
    "--store", "where", help="Where the farm is stored: an SQLite file or postgresql://…; as TRAMWRIGHT_STORE."
)
@click.option(
    "--access",
    type=click.Choice(["auto", "keys", "local", "anyone"]),
    help="Who may ask: who has a key, who asks for localhost, anyone, or (auto, the default) local on a loopback "
    "address and keys on any other; as TRAMWRIGHT_ACCESS.",
)
def serve(host: str, port: int, where: str | None, access: str | None) -> None:
    """Serve the HTTP interface. Settings come from the environment (TRAMWRIGHT_...)."""
    from ..catalogue.examples import corrections
    from ..execution.metrics import Metrics
    from ..http import serving
    from ..http.app import create_app
    from ..settings import from_environment

    options = {"TRAMWRIGHT_STORE": where, "TRAMWRIGHT_ACCESS": access}
    try:
        settings = from_environment({**os.environ, **{name: value for name, value in options.items() if value}})
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    if settings.store != "none":
        run(settings.store, ready)
    settings = decided(settings, host)
    if why := serving.refused(host, port):
        raise click.ClickException(f"{why} Name another address with --host or --port.")
    address = f"http://{f'[{host}]' if ':' in host else host}:{port}"
    click.echo(f"Documentation: {address}/docs")
    click.echo(f"At the machine: {address}/bench")
    if settings.store != "none":
        click.echo(f"Farm: {address}/farm")
    if example := next((name for name in (FIRST, *corrections()) if name in corrections()), None):
        click.echo("Try it:")
        click.echo(
            f"  tramwright example {example} | curl -s {address}/v1/corrections "
            "-H 'Content-Type: application/json' -H 'Accept: text/plain' --data-binary @-"
        )
    metrics = Metrics(settings)
    try:
        serving.serve(create_app(settings, metrics=metrics), settings, metrics, host, port)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)


async def ready(_: object) -> None:
    """Do nothing more with a store than open it, which says what is wrong with it."""


main.add_command(correct)
main.add_command(machine)
main.add_command(batch)
main.add_command(solver)
main.add_command(store)
main.add_command(fleet)
main.add_command(demo)
main.add_command(keys)


@main.command(epilog="\b\nQuestions:\n" + "\n".join(f"  {name:15}{what}" for name, what in ASKED.items()))
@click.argument("question", type=click.Choice(tuple(ASKED)), metavar="QUESTION")
@click.argument("file", type=click.File("rb"))
@click.option("--json", "as_json", is_flag=True, help="Print the whole answer as JSON, nothing rounded.")
@of_service("Ask the service that runs there, instead of solving here.")
def ask(question: str, file: IO[bytes], as_json: bool, url: str | None, key: str | None) -> None:
    """Answer QUESTION from FILE (`-` for standard input)."""
    from ..wire.media_types import JSON, TEXT

    media_type = JSON if as_json else TEXT
    if url is not None:
        answer_or_exit(file, lambda *sent: asked(url, key, f"/v1/{question}", *sent, wanted=media_type))
        return
    from tramwright_solvers.model.deadline import NEVER

    from ..catalogue.endpoints import QUESTIONS
    from ..wire.encode import encode
    from .guests import answered

    row = next(row for row in QUESTIONS if row.name == question)

    def of_built_in(asked: Any, registry: Registry) -> bytes:
        return encode(row.solve(asked, registry, NEVER), media_type, row.text)

    def reply(body: bytes, sent_as: str) -> bytes:
        return answered(question, body, sent_as, media_type, row.request, of_built_in)[1]

    answer_or_exit(file, reply)


@main.command()
@click.option("--json", "as_json", is_flag=True, help="Print the listing as JSON, as GET /v1/solvers does.")
def solvers(as_json: bool) -> None:
    """List the solvers of this installation, plug-ins included."""
    import msgspec

    from tramwright_solvers.mechanisms.registry import announced_here, installed

    from ..catalogue.solvers import entries
    from ..wire.requests import SolverList

    registry = installed(with_plug_ins=False)
    if plug_ins := announced_here():
        from ..execution.plug_ins.hosts import PlugIns
        from .guests import settings

        tested = PlugIns.found(plug_ins, registry, settings())
        tested.close()
        registry = tested.registry
    found = entries(registry)
    if as_json:
        click.echo(msgspec.json.encode(SolverList(found)).decode())
        return
    from rich.console import Console
    from rich.table import Table

    table = Table("solver", "version", "origin", "needs, or why it cannot be used")
    for entry in found:
        table.add_row(
            entry.name, entry.version or "", entry.origin, (entry.needs if entry.usable else entry.reason) or ""
        )
    Console().print(table)


@main.command()
@click.option("--check", is_flag=True, help="Compare with the file instead of writing it; exit 1 where they differ.")
@click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("openapi/openapi.json"),
    show_default=True,
    help="The file.",
)
def openapi(check: bool, output: Path) -> None:
    """Write the OpenAPI document of the built-in solvers to a file, or compare the file with it."""
    from tramwright_solvers.mechanisms.registry import installed

    from ..http.openapi import differences, text
    from ..settings import Settings

    registry = installed(with_plug_ins=False)  # what is committed must not depend on what else is installed
    if not check:
        output.write_text(text(registry, Settings()), encoding="utf-8")
        click.echo(f"wrote {output}")
    elif changed := differences(registry, Settings(), output):
        click.echo("\n".join(changed), err=True)
        click.echo(f"{output} differs from the code; run `tramwright openapi` and commit the result.", err=True)
        sys.exit(1)
    else:
        click.echo(f"{output} is up to date")


@main.command()
@click.argument("name", required=False)
def example(name: str | None) -> None:
    """List the shipped examples, or print the one called NAME (JSON)."""
    from ..catalogue import examples

    if name is None:
        click.echo("\n".join(examples.paths()))
        return
    try:
        click.echo(examples.read(name).decode().rstrip("\n"))
    except KeyError:
        raise click.BadParameter(f"there is no `{name}`; there are {', '.join(examples.paths())}") from None


@main.command()
@click.argument("name", required=False)
def guide(name: str | None) -> None:
    """List the guides, one for each question, or print the one called NAME (Markdown)."""
    from ..catalogue import guides

    if name is None:
        wide = max(map(len, guides.titles()))
        click.echo("\n".join(f"{known:{wide}}  {title}" for known, title in guides.titles().items()))
        return
    try:
        click.echo(guides.read(name).rstrip("\n"))
    except KeyError:
        raise click.BadParameter(f"there is no `{name}`; there are {', '.join(guides.titles())}") from None
