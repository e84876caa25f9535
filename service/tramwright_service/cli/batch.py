"""``tramwright batch``: files of surveys in, files of answers out."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .service import of_service

if TYPE_CHECKING:
    from ..batch.engines.base import Engine
    from ..batch.file_job import Form, Job, Report
    from ..batch.splitter import Detail
    from ..batch.summary import RefusedLine, Standing, Totals

REFUSED = 2
"""Exit status where lines were refused, or the command itself: the same again will be refused again."""
UNFINISHED = 1
"""Exit status where engine or disk failed: the same command, given again, does the rest."""
INTERRUPTED = 130
TERMINATED = 143
"""Exit statuses of a shell for a program ended by the interrupt key (128 + SIGINT) or asked to end (128 + SIGTERM)."""


@click.command()
@click.argument("inputs", nargs=-1, required=True, type=click.Path(exists=True, allow_dash=True, path_type=Path))
@click.option("--out", required=True, type=click.Path(file_okay=False, path_type=Path), help="Folder of the answers.")
@click.option(
    "--detail",
    type=click.Choice(["verdict", "moves", "full"]),
    default="moves",
    show_default=True,
    help="How much each answer holds.",
)
@click.option(
    "--to",
    type=click.Choice(["ndjson", "csv", "parquet"]),
    default="ndjson",
    show_default=True,
    help="File format of the answers.",
)
@click.option("--engine", default="local", show_default=True, help="`local`, or `dask://host:port` of a scheduler.")
@of_service("Have the service that runs there answer, instead of an engine.")
@click.option(
    "--workers", type=click.IntRange(1, 256), help="Processes of the local engine; default one for each core."
)
@click.option(
    "--machine",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="JSON file of the machine, or of a request that holds it, for surveys that come without one.",
)
@click.option(
    "--lines-per-file", type=click.IntRange(1, 100_000), default=1000, show_default=True, help="Surveys in each file."
)
def batch(
    inputs: tuple[Path, ...],
    out: Path,
    detail: Detail,
    to: Form,
    engine: str,
    workers: int | None,
    machine: Path | None,
    lines_per_file: int,
    url: str | None,
    key: str | None,
) -> None:
    """Answer every survey in INPUTS into the folder --out.

    INPUTS are .ndjson, .csv and .parquet files, folders that hold any, and `-` for NDJSON on standard input. The
    machine of `name.csv` is `name.json` beside it, the one that a column `machine` names, or that of --machine.

    If the run is stopped, the same command answers what is missing. Exit status: 0 every survey answered, 1 engine or
    disk failed (give the command again), 2 some lines refused (their answers say why), or the command itself is wrong.
    """
    from ..batch.engines.base import EngineLost
    from ..batch.file_job import Job
    from ..batch.sources import Unfit, files, given
    from ..settings import from_environment

    if url is not None and (engine != "local" or workers is not None):
        raise click.UsageError("The service has processes of its own; leave out --engine and --workers with --url.")
    if to == "parquet":
        try:
            import pyarrow as _  # noqa: F401 - only whether it is there
        except ImportError:
            raise click.UsageError("Parquet needs the extra `parquet`; install `tramwright[parquet]`.") from None
    try:
        job = Job(
            inputs=files(inputs, out),
            out=out,
            detail=detail,
            form=to,
            machine=given(machine) if machine else None,
            most_line=from_environment(os.environ).max_body,
            lines_per_file=lines_per_file,
        )
        opened = solving(engine, workers or len(os.sched_getaffinity(0))) if url is None else asking(url, key)
        report = asyncio.run(_run(job, opened))
    except* (Unfit, ValueError) as wrong:
        raise click.UsageError(_first(wrong)) from None
    except* EngineLost as lost:
        click.echo(_first(lost), err=True)
        sys.exit(UNFINISHED)
    except* OSError as failed:
        click.echo(
            f"{_first(failed)}. What was finished is kept; once that is put right, the same command does the rest.",
            err=True,
        )
        sys.exit(UNFINISHED)
    except* KeyboardInterrupt:
        click.echo("Interrupted. What was finished is kept; the same command does the rest.", err=True)
        sys.exit(INTERRUPTED)
    except* asyncio.CancelledError:
        click.echo("Ended. What was finished is kept; the same command does the rest.", err=True)
        sys.exit(TERMINATED)
    _tell(job, report)
    if report.summary.problems:
        sys.exit(REFUSED)


def _first(group: BaseExceptionGroup[BaseException]) -> str:
    """Return what the first exception of a group says."""
    from ..wire.plain import plain

    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return plain(str(error))


Opened = AbstractAsyncContextManager[tuple["Engine", str]]
"""What answers, and on which versions its answers depend."""


@asynccontextmanager
async def solving(where: str, workers: int) -> AsyncIterator[tuple[Engine, str]]:
    """Start an engine with the solvers that are installed here."""
    from tramwright_solvers.mechanisms.registry import announced_here, installed

    from ..batch.answerer import versions
    from ..batch.engines.start import start
    from ..execution.plug_ins.hosts import PlugIns
    from ..settings import from_environment

    settings = from_environment(os.environ)
    plug_ins = await asyncio.to_thread(PlugIns.found, announced_here(), installed(with_plug_ins=False), settings)
    try:
        engine = await start(where, workers, plug_ins, settings.cache)
        try:
            yield engine, versions(plug_ins.registry)
        finally:
            await engine.close()
    finally:
        plug_ins.close()


@asynccontextmanager
async def asking(url: str, key: str | None) -> AsyncIterator[tuple[Engine, str]]:
    """Take a running service for the engine."""
    from ..batch.engines.service import ServiceEngine
    from ..execution.remote import Remote

    engine = ServiceEngine(Remote(url, key))
    try:
        yield engine, await engine.versions()
    finally:
        await engine.close()


async def _run(job: Job, opened: Opened) -> Report:
    """Run the job behind a progress bar, which is shown where standard error is a terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    from ..batch.file_job import run

    task = asyncio.current_task()
    assert task is not None
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
    columns = (
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("{task.fields[surveys]} surveys, {task.fields[rate]}/s"),
        TimeRemainingColumn(),
    )
    async with opened as (engine, versions):
        with Progress(*columns, console=Console(stderr=True)) as shown:
            bar = shown.add_task("batch", total=1.0, surveys=0, rate=0)
            count = 0

            def done(lines: int, share: float) -> None:
                nonlocal count
                count += lines
                spent = shown.tasks[bar].elapsed or 0.0
                shown.update(bar, advance=share, surveys=count, rate=round(count / spent) if spent else 0)

            return await run(job, engine, versions, done)


def _tell(job: Job, report: Report) -> None:
    """Print what the batch came to."""
    from ..batch.file_job import strangers
    from ..wire.plain import plain

    summary: Totals = report.summary
    surveys = "survey" if summary.lines == 1 else "surveys"
    click.echo(f"{summary.lines} {surveys}: {summary.answered} answered, {summary.problems} refused.")
    for when, counts in (("As found", summary.as_found), ("Predicted", summary.predicted)):
        click.echo(f"{when}: {counts.within} within, {counts.outside} outside, {counts.undecided} undecided.")
    several = len(job.inputs) > 1

    def where(one: Standing | RefusedLine) -> str:
        parts = (one.file if several else None, f"line {one.line}", one.id)
        return plain(", ".join(part for part in parts if part))

    if summary.worst:
        click.echo("Largest totals for their limits, each machine by its latest survey:")
        for one in summary.worst:
            digits = 3 if one.units == "mm" else 4
            when = f", taken at {plain(one.taken_at)}" if one.taken_at else ""
            click.echo(
                f"  {plain(one.machine)}: total {one.total:.{digits}f} {one.units} against {one.limit:.{digits}f}, "
                f"{one.as_found} ({where(one)}{when})"
            )
    if summary.refused:
        click.echo("Refused:")
        for line in summary.refused:
            click.echo(f"  {where(line)}: {plain(line.says)}")
        if summary.more_refused:
            click.echo(f"  and {summary.more_refused} more; each answer says why.")
    count = len(report.files)
    click.echo(f"{count} file{'' if count == 1 else 's'} in {job.out}; summary.json lists them in order.")
    if others := strangers(job, report):
        click.echo(
            f"{len(others)} more answer files there belong to other input, another detail or another version; this run "
            "neither reads nor removes them.",
            err=True,
        )
