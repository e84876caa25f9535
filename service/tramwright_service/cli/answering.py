"""How a command answers from a file, or says what is wrong with it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import IO, TypeVar

import click

WRONG = 2
"""Exit status of a wrong request; sending it again cannot succeed."""
LATER = 1
"""Exit status where the time limit passed; the same request may succeed later."""


T = TypeVar("T")


def answer_or_exit(
    file: IO[bytes], reply: Callable[[bytes, str], bytes], place: Callable[[str], str] = lambda pointer: pointer
) -> None:
    """Print the reply to a file's content; print why it is refused on standard error, and exit with WRONG or LATER.

    Args:
        file: what is answered.
        reply: answers its content, sent as this media type.
        place: where in the file a pointer of a fault leads.
    """
    from ..wire.media_types import JSON, MSGPACK
    from ..wire.plain import plain_lines

    sent_as = MSGPACK if str(getattr(file, "name", "-")).endswith(".msgpack") else JSON
    answer = told_or_exit(lambda: reply(file.read(), sent_as), place)
    click.echo(plain_lines(answer.decode().rstrip("\n")))


def told_or_exit(ask: Callable[[], T], place: Callable[[str], str] = lambda pointer: pointer) -> T:
    """Return what is told; where it is refused, print why on standard error, and exit with WRONG or LATER."""
    from tramwright_solvers.model.errors import SolverError

    from ..wire.plain import plain
    from ..wire.problems import RequestError, Told, describe

    try:
        return ask()
    except (RequestError, SolverError, Told) as error:
        problem = describe(error)
        for fault in problem.errors:
            click.echo(plain(f"{place(fault.pointer) or '(whole document)'}: {fault.detail}"), err=True)
        if not problem.errors:
            click.echo(plain(problem.detail), err=True)
        sys.exit(LATER if problem.status in (429, 503) else WRONG)
