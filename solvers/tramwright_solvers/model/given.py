"""What a program gives is checked where it is made, by the same bounds as what is sent is where it is read.

Reading calls no constructor, so it does not become slower.
"""

from __future__ import annotations

import re
from typing import Any

import msgspec
from msgspec import Struct, StructMeta

from . import sentences
from .errors import Fault, Refused

PATH = re.compile(r" - at `\$((?:\.[^.\[\]`]+|\[\d+\])+)`$")
"""The path at the end of msgspec's messages."""


class Checked(StructMeta):
    """The class of what is checked when it is made."""

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        """Make an object; numbers and arrays of numpy become plain ones.

        Raises:
            Refused: a value breaks the bounds of its field; the pointer is that of the field.
            TypeError: a field is missing, or there is none of that name.
        """
        made: Any = super().__call__(*arguments, **named)
        return self.checked(made)

    def checked(self, made: Any) -> Any:
        """Return the object with every value of the type that its field has."""
        return as_given(made, self)


def as_given(made: Any, kind: Any) -> Any:
    """Return an object as it would be read.

    Raises:
        Refused: it would not be.
    """
    try:
        return msgspec.convert(msgspec.to_builtins(made, enc_hook=lambda value: value.tolist()), kind)
    except msgspec.ValidationError as error:
        found = PATH.search(str(error))
        pointer = "/" + re.sub(r"[.\[\]]+", "/", found[1]).strip("/") if found else ""
        said = str(error)[: found.start()] if found else str(error)
        raise Refused([Fault(pointer, sentences.change_it(said))]) from None


class Given(Struct, metaclass=Checked, frozen=True, forbid_unknown_fields=True):
    """Base of what describes a machine, a survey, or what is asked for."""
