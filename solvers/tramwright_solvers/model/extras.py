"""What a machine describes for one solver alone, ``machine.extras.<solver>``, read into the Struct that it declares."""

from __future__ import annotations

import re
from typing import Literal

import msgspec
from msgspec import Struct

from . import sentences
from .errors import Refused
from .machine import Machine

Axis = Literal["x", "y"]

_PATH = re.compile(r" - at `\$(.*)`$")


def read_extras(machine: Machine, name: str, kind: type[Struct] | None) -> Struct | None:
    """Return what a machine describes for the solver of this name, None where that wants nothing.

    Raises:
        Refused: it is missing, or of another shape than ``kind``; the fault points at it.
    """
    if kind is None:
        return None
    where = f"/machine/extras/{name}"
    try:
        return msgspec.convert(machine.extras.get(name, {}), kind)
    except msgspec.ValidationError as error:
        said = str(error)
        path = _PATH.search(said)
        at = re.sub(r"[.\[]([^.\[\]]+)\]?", r"/\1", path[1]) if path else ""
        raise Refused.at(where + at, sentences.extras_wrong(name, said[: path.start()] if path else said)) from error
