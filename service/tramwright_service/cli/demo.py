"""``tramwright demo``: an invented farm with a year of surveys, served on this host."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import click

from .batch import INTERRUPTED, TERMINATED
from .keys import decided

if TYPE_CHECKING:
    from litestar import Litestar

HOST = "127.0.0.1"
ENDINGS = {signal.SIGINT, signal.SIGTERM, signal.SIGHUP}
SHOWN = """\
{surveys} surveys of {machines} machines in a year, all invented, in {store}.
Open
  {address}/farm
  {address}/bench
  {address}/docs
Ask
  tramwright fleet --url {address}
  tramwright fleet kestrel --url {address}
  curl -s {address}/v1/fleet
  curl -s {address}/v1/machines/heron/surveys/18/correction -H 'Accept: text/plain'
  curl -s {address}/v1/machines/heron/surveys/18/correction -H 'Accept: image/svg+xml' > heron.svg
  curl -s '{address}/v1/machines/heron/surveys/18/comparison?before=16' -H 'Accept: text/plain'
Watch
  curl -sN {address}/v1/events -H 'Last-Event-ID: 0'
Ctrl-C ends it{end}."""


@click.command()
@click.option(
    "--store",
    "where",
    type=click.Path(path_type=Path),
    help="New SQLite file for the farm, which stays; left out, one that is removed at the end.",
)
@click.option("--port", default=8017, show_default=True, type=click.IntRange(0, 65535), help="Port to listen on.")
def demo(where: Path | None, port: int) -> None:
    """Serve an invented farm of twelve machines with a year of surveys, to look around in.

    Every survey, move and note goes through the same routes as yours would. Nothing that is there is touched.
    """
    from datetime import UTC, datetime

    from ..demo.birds import BIRDS
    from ..demo.year import lived
    from ..execution.metrics import Metrics
    from ..http import serving
    from ..http.app import create_app
    from ..settings import from_environment

    if why := serving.refused("127.0.0.1", port):
        raise click.ClickException(f"{why} Name another with --port.")
    # What is temporary is removed when the command is asked to end, and when its terminal is closed; of the two, the
    # server knows the first.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(TERMINATED))
    signal.signal(signal.SIGHUP, lambda *_: signal.raise_signal(signal.SIGTERM))
    with ExitStack() as ends:
        signal.pthread_sigmask(signal.SIG_BLOCK, ENDINGS)  # so that nothing is made and not yet known to be removed
        try:
            store = where or Path(ends.enter_context(TemporaryDirectory(prefix="tramwright-demo-")), "demo.db")
            store.open("xb").close()
            if where:
                ends.callback(removed, store)
        except OSError as error:
            said = "it is there already, and is left as it is" if isinstance(error, FileExistsError) else error.strerror
            raise click.BadParameter(f"{error.filename}: {said}; name a new file.", param_hint="--store") from None
        finally:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDINGS)
        own = {"TRAMWRIGHT_LOG_LEVEL": "warning", **os.environ, "TRAMWRIGHT_STORE": str(store)}
        try:
            settings = from_environment(own)
        except ValueError as error:
            raise click.UsageError(str(error)) from None
        address = f"http://{HOST}:{port}"

        async def fill(app: Litestar) -> None:
            surveys = await lived(app, datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0))
            end = "" if where else ", and removes the farm"
            told = {"surveys": surveys, "machines": len(BIRDS), "store": store, "address": address, "end": end}
            click.echo(SHOWN.format(**told))
            if where:
                ends.pop_all()  # what is whole stays

        settings = decided(settings, HOST)
        metrics = Metrics(settings)
        app = create_app(settings, metrics=metrics)
        app.on_startup.append(fill)  # once the store is open, and before anybody is answered
        try:
            serving.serve(app, settings, metrics, HOST, port)
        except KeyboardInterrupt:
            sys.exit(INTERRUPTED)


def removed(store: Path) -> None:
    """Take away a store that was not filled to the end."""
    for part in ("", "-wal", "-shm"):
        Path(f"{store}{part}").unlink(missing_ok=True)
