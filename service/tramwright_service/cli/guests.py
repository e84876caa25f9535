"""One request answered for a command: by built-in solvers here, by plug-ins in processes of their own.

A plug-in that loops, or ends its process, so neither hangs a command nor ends it without a word. Where no plug-in is
installed, or only built-in solvers are named, nothing is started.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import click
import msgspec

from tramwright_solvers.mechanisms.plug_ins.described import Announced
from tramwright_solvers.mechanisms.registry import Registry, announced_here, installed

from ..wire.decode import Decoder
from ..wire.media_types import MSGPACK
from ..wire.problems import RequestError

if TYPE_CHECKING:
    from ..execution.plug_ins.hosts import PlugIns
    from ..settings import Settings


def answered(
    question: str,
    body: bytes,
    sent_as: str,
    media_type: str,
    request: Callable[[Registry], Any],
    solve: Callable[[Any, Registry], bytes],
) -> tuple[Any, bytes]:
    """Return what is asked, as read, and the answer; ``solve`` gives that of built-in solvers to what ``request``
    describes.

    Raises:
        RequestError, SolverError: as for the service.
        Told: a problem in place of a plug-in's answer.
    """
    registry, plug_ins = installed(with_plug_ins=False), announced_here()
    if not plug_ins:
        asked = _read(request, registry, body, sent_as)
        return asked, solve(asked, registry)
    with suppress(RequestError):  # what names a plug-in cannot be read without it; any other fault is told below
        asked = _read(request, registry, body, sent_as)
        if asked.solve.with_ and not asked.machine.extras:
            return asked, solve(asked, registry)
    from ..execution.plug_ins.hosts import PlugIns
    from ..execution.request_log import configure

    bounds = settings()
    configure(bounds.log_level)
    tested = PlugIns.found(wanted(body, sent_as, plug_ins, registry), registry, bounds)
    try:
        asked = _read(request, tested.registry, body, sent_as)
        answer = asyncio.run(_ask(tested, question, asked, body, sent_as, media_type))
        return asked, solve(asked, tested.registry) if answer is None else answer
    finally:
        tested.close()


def settings() -> Settings:
    """Return what the environment says.

    Raises:
        click.UsageError: it holds a setting that is wrong.
    """
    from ..settings import from_environment

    try:
        return from_environment(os.environ)
    except ValueError as error:
        raise click.UsageError(str(error)) from None


def wanted(body: bytes, sent_as: str, plug_ins: Sequence[Announced], registry: Registry) -> Sequence[Announced]:
    """Return the plug-ins that a request names, so that no others are waited for; all where it names none."""
    with suppress(msgspec.DecodeError, TypeError, KeyError, AttributeError):
        document = (msgspec.msgpack if sent_as == MSGPACK else msgspec.json).decode(body)
        named = {entry["solver"] for entry in document["solve"]["with"]}
        names = named | set(document["machine"].get("extras") or ())
        chosen = [one for one in plug_ins if one.name in names]
        if named and names <= {*registry.solvers, *(one.name for one in chosen)}:
            return chosen
    return plug_ins


def _read(request: Callable[[Registry], Any], registry: Registry, body: bytes, sent_as: str) -> Any:
    return Decoder[Any](request(registry), registry).decode(body, sent_as.encode())


async def _ask(
    plug_ins: PlugIns, question: str, asked: Any, body: bytes, sent_as: str, media_type: str
) -> bytes | None:
    """Return the answer of plug-ins, None where the request is for none."""
    from ..execution.plug_ins.messages import Ask

    named = asked.solve.with_
    if not (guests := await plug_ins.of(named, asked.machine)):
        return None
    return await plug_ins.ask(guests, Ask(question, body, sent_as.encode(), media_type), named, _stays)


async def _stays() -> Any:
    """Wait for a client that does not go before it has its answer."""
    await asyncio.Event().wait()
