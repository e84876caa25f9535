"""``tramwright correct``: one survey from a file, answered, drawn and printed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from .answering import answer_or_exit

if TYPE_CHECKING:
    from tramwright_solvers.mechanisms.registry import Registry

MAPS, SHEETS = (".svg", ".png", ".pdf"), (".html", ".pdf")
TABLES = (".csv", ".tsv")


def ending(*suffixes: str) -> Callable[[click.Context, click.Parameter, Path | None], Path | None]:
    """Return what refuses a file to be written whose kind is not told by its ending."""

    def checked(context: click.Context, parameter: click.Parameter, path: Path | None) -> Path | None:
        if path is not None and path.suffix.lower() not in suffixes:
            raise click.BadParameter(f"the name ends in one of {', '.join(suffixes)}", context, parameter)
        return path

    return checked


WRITTEN = click.Path(dir_okay=False, writable=True, path_type=Path)


@click.command()
@click.argument("file", type=click.File("rb"))
@click.option("--json", "as_json", is_flag=True, help="Print the whole answer as JSON, nothing rounded.")
@click.option(
    "--machine",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The machine as JSON, for readings alone in FILE, a spreadsheet saved as CSV.",
)
@click.option(
    "--map", "drawn", type=WRITTEN, callback=ending(*MAPS), metavar="PATH", help="Draw the map too: .svg, .png or .pdf."
)
@click.option(
    "--theme", type=click.Choice(["light", "dark"]), default="light", show_default=True, help="How a map looks."
)
@click.option(
    "--sheet", type=WRITTEN, callback=ending(*SHEETS), metavar="PATH", help="Write the sheet too: .html or .pdf."
)
def correct(
    file: IO[bytes], as_json: bool, machine: Path | None, drawn: Path | None, theme: Any, sheet: Path | None
) -> None:
    """Answer the survey in FILE (`-` for standard input), as JSON or, in a .msgpack file, MessagePack.

    With --machine FILE holds readings alone: in columns x, y, value and perhaps setup and time, or as a grid with x in
    the first row and y in the first column.
    """
    import msgspec

    from tramwright_solvers.correction.api import correct as solve
    from tramwright_solvers.results.correction import Correction
    from tramwright_solvers.views.correction import as_text

    from ..execution.plug_ins.messages import CORRECTIONS
    from ..wire.encode import encode
    from ..wire.media_types import JSON, MSGPACK, TEXT
    from ..wire.requests import correction_request
    from .guests import answered

    if machine is None and Path(getattr(file, "name", "-")).suffix.lower() in TABLES:
        raise click.UsageError("A spreadsheet holds readings alone; give the machine with --machine FILE.")
    shown = JSON if as_json else TEXT
    wanted = MSGPACK if drawn or sheet else shown  # what is drawn is read back from the answer
    places: list[Callable[[str], str]] = []

    def of_built_in(asked: Any, registry: Registry) -> bytes:
        answer = solve(asked.machine, asked.survey, asked.solve, registry, done=asked.done)
        return encode(answer, wanted, as_text)

    def reply(body: bytes, sent_as: str) -> bytes:
        if machine is not None:
            body = joined(machine, body, places)
            sent_as = JSON
        request, told = answered(CORRECTIONS, body, sent_as, wanted, correction_request, of_built_in)
        if wanted == shown:
            return told
        answer = msgspec.msgpack.decode(told, type=Correction)
        if drawn is not None:
            from ..maps.figure import SUFFIXES, picture
            from ..maps.subjects import of_correction

            kind = next(kind for kind, suffix in SUFFIXES.items() if suffix == drawn.suffix.lower()[1:])
            drawn.write_bytes(picture(of_correction(request, answer), kind, theme))
        if sheet is not None:
            from ..pages.sheet import as_html
            from ..pages.sheet_on_paper import as_pdf

            write = as_pdf if sheet.suffix.lower() == ".pdf" else as_html
            sheet.write_bytes(write(request, answer, body))
        return encode(answer, shown, as_text)

    answer_or_exit(file, reply, lambda pointer: places[0](pointer) if places else pointer)


def joined(machine: Path, table: bytes, places: list[Callable[[str], str]]) -> bytes:
    """Return the request that a machine and a spreadsheet of readings make; ``places`` gets what finds their faults."""
    import msgspec

    from ..batch.sources import Unfit, given
    from .spreadsheet import read

    try:
        described = given(machine)
    except Unfit as wrong:
        raise click.UsageError(str(wrong)) from None
    found = read(table)
    places.append(found.place)
    solve = {} if described.solve is None else {"solve": described.solve}
    return msgspec.json.encode({"machine": described.machine, "survey": {"readings": found.readings}, **solve})
