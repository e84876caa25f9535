"""A batch from files to files: each chunk becomes one file, and a chunk whose file exists is not answered again.

The name of a file is a hash of all that its content depends on, and the file appears by an atomic rename. So at any
moment, however the run ends, the folder holds whole answers only, and the same command continues.
"""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Literal

import msgspec
from msgspec import Struct

from .engines.base import Engine
from .sources import STANDARD_INPUT, Given, pieces
from .splitter import Chunk, Detail, Splitter
from .summary import Tally, Totals
from .tables import as_csv, as_parquet

Form = Literal["ndjson", "csv", "parquet"]
FORMS: dict[Form, Callable[[bytes], bytes]] = {"ndjson": bytes, "csv": as_csv, "parquet": as_parquet}

LOOK = 0.02
"""Seconds between two looks for more on standard input."""
AHEAD = 2
"""Chunks under way beside those that keep the engine busy."""

PROGRESS = ".progress"
"""Folder, inside that of the answers, of what each file comes to and of files not finished."""
SUMMARY = "summary.json"

_NAME = re.compile(r".*\.\d{9,}\.[0-9a-f]{32}\.(?:ndjson|csv|parquet)")


class Job(Struct, frozen=True):
    """What to do: answer these files, or standard input, at this detail, into this folder."""

    inputs: Sequence[Path]
    out: Path
    detail: Detail
    form: Form
    machine: Given | None
    most_line: int
    lines_per_file: int


class Report(Struct, frozen=True):
    """What a run came to; ``files`` are its answers, in the order of the lines."""

    inputs: list[str]
    detail: Detail
    files: list[str]
    summary: Totals


class Part(Struct, frozen=True):
    """One chunk, the file it is of, where its answer goes, and what share of all the input it is."""

    chunk: Chunk
    source: str
    name: str
    digest: str
    share: float


def parts(job: Job, versions: str) -> Iterator[Part | None]:
    """Cut all the input into parts, named after these versions; None where standard input has nothing yet.

    Raises:
        Unfit: a file cannot be read as surveys.
    """
    kind = f"{versions}, {job.form}"
    sizes = {path: 1 if path == STANDARD_INPUT else max(1, path.stat().st_size) for path in job.inputs}
    whole = sum(sizes.values())
    for path, size in sizes.items():
        cutter, fed = Splitter(job.detail, job.most_line), 0.0
        source = "standard input" if path == STANDARD_INPUT else str(path)
        stem = re.sub(r"[^A-Za-z0-9_-]+", "-", source if path == STANDARD_INPUT else path.stem)[:60]

        def cut(
            least: int, fed: float, source: str = source, stem: str = stem, cutter: Splitter = cutter
        ) -> Iterator[Part]:
            while cutter.waiting >= least and (chunk := cutter.cut(job.lines_per_file)):
                digest = chunk.digest(f"{kind}, {stem}")
                share = fed * len(chunk.lines) / (len(chunk.lines) + cutter.waiting)
                fed -= share
                yield Part(chunk, source, f"{stem}.{chunk.first:09d}.{digest}.{job.form}", digest, share)

        for piece, share in pieces(path, job.machine):
            if not piece:
                yield None
                continue
            cutter.feed(piece)
            fed += share * size / whole
            for part in cut(job.lines_per_file, fed):
                yield part
                fed -= part.share
        cutter.end()
        yield from cut(1, fed)


async def run(job: Job, engine: Engine, versions: str, done: Callable[[int, float], None]) -> Report:
    """Answer what is not there yet; ``done`` is told the lines and the share of the input of each part finished.

    ``versions`` says on what answers depend beside what is asked: files of other versions are left as they are.

    Raises:
        Unfit: a file cannot be read as surveys.
        EngineLost: the engine is gone; what was finished is kept.
    """
    progress = job.out / PROGRESS
    progress.mkdir(parents=True, exist_ok=True)
    for left in progress.glob("*.part"):
        left.unlink()
    files: list[str] = []
    summary, finished, counted = Tally(), dict[int, Tally](), 0
    room = asyncio.Semaphore(engine.at_once + AHEAD)

    def count(place: int, part: Part, tally: Tally) -> None:
        """Add a part to the summary once all those before it are there: what is latest hangs on the order."""
        nonlocal counted
        done(tally.lines, part.share)
        finished[place] = tally.in_file(part.source)
        while counted in finished:
            summary.add(finished.pop(counted))
            counted += 1

    async def answer(place: int, part: Part) -> None:
        try:
            answered = await engine.answer(part.chunk)
            await asyncio.to_thread(_store, job, part, answered.body, answered.tally)
            count(place, part, answered.tally)
        finally:
            room.release()

    async with asyncio.TaskGroup() as group:
        for part in parts(job, versions):
            if part is None:
                await asyncio.sleep(LOOK)
                continue
            place = len(files)
            files.append(part.name)
            if (before := _stored(job, part)) is not None:
                count(place, part, before)
                continue
            await room.acquire()
            group.create_task(answer(place, part))
    report = Report([str(path) for path in job.inputs], job.detail, files, summary.totals())
    _write(progress / "summary.part", job.out / SUMMARY, msgspec.json.format(msgspec.json.encode(report), indent=2))
    return report


def strangers(job: Job, report: Report) -> list[str]:
    """Return the answer files in the folder that belong to other input, another detail or other versions."""
    own = set(report.files)
    return sorted(path.name for path in job.out.iterdir() if _NAME.fullmatch(path.name) and path.name not in own)


def _stored(job: Job, part: Part) -> Tally | None:
    """Return what a part came to if an earlier run finished it."""
    if part.chunk.unknown or not (job.out / part.name).exists():  # a service may know the machine, another each time
        return None
    try:
        return msgspec.json.decode((job.out / PROGRESS / f"{part.digest}.json").read_bytes(), type=Tally)
    except (OSError, msgspec.MsgspecError):
        return None  # what it came to is lost: it is answered again


def _store(job: Job, part: Part, body: bytes, tally: Tally) -> None:
    """Write an answer; first what it comes to, so that a file that is there is known in full."""
    progress = job.out / PROGRESS
    _write(progress / f"{part.digest}.tally.part", progress / f"{part.digest}.json", msgspec.json.encode(tally))
    _write(progress / f"{part.digest}.part", job.out / part.name, FORMS[job.form](body))


def _write(first: Path, name: Path, content: bytes) -> None:
    """Write a file beside its place, make sure that it is on the disk, then give it its name in one step."""
    with first.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    os.replace(first, name)
    folder = os.open(name.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
