"""``tramwright solver``: a new plug-in to start from, and the checks of a solver from the shell."""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from tramwright_solvers.mechanisms.registry import Registry
    from tramwright_solvers.model.contract import Mechanism
    from tramwright_solvers.model.machine import Machine

TEMPLATE = Path(__file__).with_name("template")
"""Files of a new package, each with the names to be filled in."""
NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
WRONG = 1
"""Exit status where a solver fails a check."""

METHODS = {
    "adjusters": "adjusters",
    "said of places": "adjusters",
    "zero travel": "gap_change",
    "linear": "gap_change",
    "conditions": "conditions",
    "parts": "parts",
    "remarks": "effects",
    **dict.fromkeys(
        ("shape", "finite differences", "partition of unity", "origin", "unit", "order of points", "determinism"),
        "influence",
    ),
    "inputs": "influence",
}
"""The method that a check of the kit is about; the others are about the class."""


@click.group()
def solver() -> None:
    """Write a solver of your own, and check it."""


@solver.command()
@click.argument("name")
def new(name: str) -> None:
    """Write a package with a solver called NAME into a folder of that name, complete with its tests."""
    from tramwright_solvers.mechanisms import BUILT_IN

    if not NAME.fullmatch(name):
        raise click.BadParameter("a name is small letters and digits, parted by single hyphens, as `rocking-bed`")
    if name in {kind.name() for kind in BUILT_IN}:
        raise click.BadParameter(f"`{name}` is built in; give yours another name")
    folder = Path(name)
    if folder.exists():
        raise click.UsageError(f"There is a `{name}` here already; it is left as it is.")
    module = name.replace("-", "_")
    kind = "".join(part.capitalize() for part in name.split("-"))
    folder.mkdir()
    for path in sorted(TEMPLATE.glob("*.txt")):
        text = Template(path.read_text(encoding="utf-8")).substitute(name=name, module=module, kind=kind)
        written = folder / path.name.removesuffix(".txt").replace("module", module)
        written.write_text(text, encoding="utf-8")
        click.echo(f"wrote {written}")
    click.echo(
        f"\nNow:\n  pip install -e './{name}[test]'\n  pytest {name}\n  tramwright solver check {name}\n"
        f"  tramwright correct {folder / f'{module}.json'}"
    )


@solver.command()
@click.argument("name")
@click.argument("machine", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
def check(name: str, machine: Path | None) -> None:
    """Check the solver NAME, installed or as `module:Class`, on MACHINE, and say what is wrong where.

    MACHINE is a JSON file of a machine, or of a request that holds one; its `solve.with` gives the options. Left out,
    it is the solver's own example. Exit status: 0 it keeps its contract, 1 it does not, 2 the command is wrong.
    """
    sys.path.insert(0, str(Path.cwd()))  # for `module:Class` beside the author
    registry, name = _registry(name)
    kind = registry.solvers[name]
    plain: type[Mechanism] = getattr(kind, "plain", kind)
    payload, where = _payload(plain, machine)
    described, mechanism = _read(payload, where, plain)
    wrong = list(_findings(mechanism, described)) or list(_answered(payload, registry))
    for line in wrong:
        click.echo(line)
    if wrong:
        sys.exit(WRONG)
    click.echo(f"`{name}` keeps its contract on `{described.id}`.")


def _registry(name: str) -> tuple[Registry, str]:
    """Load one solver beside the built-in ones; return its name as well."""
    from tramwright_solvers.mechanisms import BUILT_IN
    from tramwright_solvers.mechanisms.plug_ins.described import Announced
    from tramwright_solvers.mechanisms.registry import announced_here, build

    own = build(BUILT_IN)
    if name in own.solvers:
        return own, name
    found = [Announced(name, name, name)] if ":" in name else [one for one in announced_here() if one.name == name]
    if not found:
        others = ", ".join(f"`{one.name}`" for one in announced_here()) or "none"
        raise click.UsageError(
            f"No solver `{name}` is installed. Plug-ins installed here: {others}. Install the package "
            f"(`pip install -e FOLDER`), or give the class itself as `module:Class`."
        )
    registry = build(BUILT_IN, found)
    if registry.unusable:
        (unusable,) = registry.unusable
        click.echo(f"{unusable.name} ({unusable.origin}) cannot be used: {unusable.reason}")
        sys.exit(WRONG)
    (added,) = registry.solvers.keys() - own.solvers.keys()
    return registry, added


def _payload(plain: type[Mechanism], machine: Path | None) -> tuple[Any, str]:
    """Return a request or a machine as it was written, and where it stands."""
    import msgspec

    from ..catalogue.examples import corrections
    from ..wire.media_types import MARK

    if machine is None:
        if plain.example is None:
            raise click.UsageError("This solver names no example of its own; give a machine.json.")
        if (shipped := corrections().get(plain.example.removesuffix(".json"))) is not None:
            return shipped, plain.example
        machine = Path(inspect.getfile(plain)).with_name(plain.example)
        if not machine.is_file():
            raise click.UsageError(f"Its example `{plain.example}` is not beside its module ({machine.parent}).")
    try:
        return msgspec.json.decode(machine.read_bytes().removeprefix(MARK)), str(machine)
    except msgspec.DecodeError as error:
        raise click.UsageError(f"{machine} is no JSON: {error}.") from None


def _read(payload: Any, where: str, plain: type[Mechanism]) -> tuple[Machine, Mechanism]:
    """Read the machine and the solver's options."""
    import msgspec

    from tramwright_solvers.model.machine import Machine

    holds = isinstance(payload, dict) and "machine" in payload
    options: Any = {"solver": plain.name()}
    if holds and isinstance(payload.get("solve"), dict):
        named = [one for one in payload["solve"].get("with") or () if one.get("solver") == plain.name()]
        options = named[0] if named else options
    try:
        described = msgspec.convert(payload["machine"] if holds else payload, Machine)
    except msgspec.ValidationError as error:
        raise click.UsageError(f"{where} describes no machine: {error}.") from None
    try:
        return described, msgspec.convert(options, plain)
    except msgspec.ValidationError as error:
        raise click.UsageError(f"The options in {where} are not those of `{plain.name()}`: {error}.") from None


def _findings(mechanism: Mechanism, machine: Machine) -> Iterator[str]:
    """Yield a line for each check of the kit that fails."""
    from tramwright_solvers.conformance import findings

    for found in findings(mechanism, machine):
        yield f"{_place(type(mechanism), METHODS.get(found.check))}: {found.check}: {found.detail}"


def _place(kind: type[Mechanism], method: str | None) -> str:
    """Say where a method is written, or the class where it is not written in it."""
    own = next((vars(base)[method] for base in kind.__mro__ if method in vars(base)), kind) if method else kind
    if getattr(own, "__module__", kind.__module__) != kind.__module__:
        own = kind
    file, line = inspect.getsourcefile(own), inspect.getsourcelines(own)[1]
    return f"{Path(file or '').name}:{line}, `{own.__name__}`"


def _answered(payload: Any, registry: Registry) -> Iterator[str]:
    """Yield why the request is not answered, where it is one: what the kit does not call, the service does."""
    import msgspec

    from tramwright_solvers.correction.api import correct
    from tramwright_solvers.model.errors import SolverError

    from ..wire.decode import Decoder
    from ..wire.media_types import JSON
    from ..wire.problems import RequestError, describe
    from ..wire.requests import correction_request

    if not (isinstance(payload, dict) and "survey" in payload):
        return
    try:
        asked = Decoder[Any](correction_request(registry), registry).decode(msgspec.json.encode(payload), JSON.encode())
        correct(asked.machine, asked.survey, asked.solve, registry)
    except (RequestError, SolverError) as error:
        problem = describe(error)
        yield from (f"{fault.pointer}: {fault.detail}" for fault in problem.errors)
        if not problem.errors:
            yield problem.detail
