"""How a command answers from a file, or says what is wrong with it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import IO

import click

WRONG = 2
"""Exit status of a wrong request; sending it again cannot succeed."""
LATER = 1
"""Exit status where the time limit passed; the same request may succeed later."""


def answer_or_exit(
    file: IO[bytes], reply: Callable[[bytes, str], bytes], place: Callable[[str], str] = lambda pointer: pointer
) -> None:
    """Print the reply to a file's content; print why it is refused on standard error, and exit with WRONG or LATER.

    Args:
        file: what is answered.
        reply: answers its content, sent as this media type.
        place: where in the file a pointer of a fault leads.
    """
    from tramwright_solvers.model.errors import SolverError

    from ..wire.media_types import JSON, MSGPACK
    from ..wire.plain import plain, plain_lines
    from ..wire.problems import RequestError, Told, describe

    sent_as = MSGPACK if str(getattr(file, "name", "-")).endswith(".msgpack") else JSON
    try:
        answer = reply(file.read(), sent_as)
    except (RequestError, SolverError, Told) as error:
        problem = describe(error)
        for fault in problem.errors:
            click.echo(plain(f"{place(fault.pointer) or '(whole document)'}: {fault.detail}"), err=True)
        if not problem.errors:
            click.echo(plain(problem.detail), err=True)
        sys.exit(LATER if problem.status == 503 else WRONG)
    click.echo(plain_lines(answer.decode().rstrip("\n")))
