"""``tramwright correct``: one survey from a file, answered, drawn and printed."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Literal, NamedTuple

import click

from .answering import answer_or_exit
from .service import asked, of_service

if TYPE_CHECKING:
    from tramwright_solvers.mechanisms.registry import Registry

Theme = Literal["light", "dark"]
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
@of_service("Ask the service that runs there, instead of solving here.")
def correct(
    file: IO[bytes],
    as_json: bool,
    machine: Path | None,
    drawn: Path | None,
    theme: Theme,
    sheet: Path | None,
    url: str | None,
    key: str | None,
) -> None:
    """Answer the survey in FILE (`-` for standard input), as JSON or, in a .msgpack file, MessagePack.

    With --machine FILE holds readings alone: in columns x, y, value and perhaps setup and time, or as a grid with x in
    the first row and y in the first column.
    """
    from ..wire.media_types import JSON, TEXT

    if machine is None and Path(getattr(file, "name", "-")).suffix.lower() in TABLES:
        raise click.UsageError("A spreadsheet holds readings alone; give the machine with --machine FILE.")
    if url is not None and drawn is not None and drawn.suffix.lower() == ".pdf":
        raise click.UsageError("A service draws maps as .svg and .png; its .pdf is the sheet with the map (--sheet).")
    places: list[Callable[[str], str]] = []

    def reply(body: bytes, sent_as: str) -> bytes:
        if machine is not None:
            body, sent_as = joined(machine, body, places), JSON
        wanted = Wanted(JSON if as_json else TEXT, drawn, theme, sheet)
        return here(body, sent_as, wanted) if url is None else there(url, key, body, sent_as, wanted)

    answer_or_exit(file, reply, lambda pointer: places[0](pointer) if places else pointer)


class Wanted(NamedTuple):
    """What is made of an answer: what is printed, and the files that are written."""

    shown: str
    map: Path | None
    theme: Theme
    sheet: Path | None


def here(body: bytes, sent_as: str, wanted: Wanted) -> bytes:
    """Solve a request, draw and write what is wanted, and return what is printed."""
    import msgspec

    from tramwright_solvers.correction.api import correct as solve
    from tramwright_solvers.results.correction import Correction
    from tramwright_solvers.views.correction import as_text

    from ..execution.plug_ins.messages import CORRECTIONS
    from ..wire.encode import encode
    from ..wire.media_types import MSGPACK
    from ..wire.requests import correction_request
    from .guests import answered

    form = MSGPACK if wanted.map or wanted.sheet else wanted.shown  # what is drawn is read back from the answer

    def of_built_in(asked: Any, registry: Registry) -> bytes:
        answer = solve(asked.machine, asked.survey, asked.solve, registry, done=asked.done)
        return encode(answer, form, as_text)

    request, told = answered(CORRECTIONS, body, sent_as, form, correction_request, of_built_in)
    if form == wanted.shown:
        return told
    answer = msgspec.msgpack.decode(told, type=Correction)
    if wanted.map is not None:
        from ..maps.figure import SUFFIXES, picture
        from ..maps.subjects import of_correction

        kind = next(kind for kind, suffix in SUFFIXES.items() if suffix == wanted.map.suffix.lower()[1:])
        write(wanted.map, picture(of_correction(request, answer), kind, wanted.theme))
    if wanted.sheet is not None:
        from ..pages.sheet import as_html
        from ..pages.sheet_on_paper import as_pdf

        sheet = as_pdf if wanted.sheet.suffix.lower() == ".pdf" else as_html
        write(wanted.sheet, sheet(request, answer, body))
    return encode(answer, wanted.shown, as_text)


def write(path: Path, content: bytes) -> None:
    """Write a file; where that cannot be done, say why."""
    try:
        path.write_bytes(content)
    except OSError as error:
        raise click.FileError(str(path), error.strerror) from None


def there(url: str, key: str | None, body: bytes, sent_as: str, wanted: Wanted) -> bytes:
    """Have a service do the same."""
    from ..wire.media_types import HTML, PDF, PNG, SVG

    ask = partial(asked, url, key, "/v1/corrections", body, sent_as)
    printed = ask(wanted=wanted.shown)
    if wanted.map is not None:
        kind = SVG if wanted.map.suffix.lower() == ".svg" else PNG
        write(wanted.map, ask(wanted=kind, query={"theme": wanted.theme}))
    if wanted.sheet is not None:
        write(wanted.sheet, ask(wanted=PDF if wanted.sheet.suffix.lower() == ".pdf" else HTML))
    return printed


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
