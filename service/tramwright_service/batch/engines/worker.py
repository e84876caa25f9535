"""A worker process: reads chunks from standard input, writes answers to standard output, ends when the input does.

It ends by itself when the process that started it ends, whatever the cause. Started by :mod:`.local`.
"""

from __future__ import annotations

import gc
import os
import pickle
import sys
from contextlib import suppress
from typing import IO

import msgspec

from tramwright_solvers.correction.cache import GeometryCache

from ...execution.plug_ins.messages import LENGTH
from ...execution.plug_ins.picking import Picker
from ...execution.request_log import configure
from ..answerer import LineAnswerer, no_plug_in
from ..splitter import Chunk

GIVES_WAY = 5
"""By how much the priority of a worker is lower than that of who started it: a batch can wait, a lone request not."""


def read(stream: IO[bytes]) -> bytes | None:
    """Return the next message, None at the end of the stream or where it breaks off."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return None
    (length,) = LENGTH.unpack(head)
    message = stream.read(length)
    return message if len(message) == length else None


def write(stream: IO[bytes], message: bytes) -> None:
    """Send one message."""
    stream.write(LENGTH.pack(len(message)))
    stream.write(message)
    stream.flush()


def main() -> None:
    """Answer chunks until there are no more."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever a plug-in prints must not run into the answers
    configure("info")
    with suppress(OSError):  # a host may not allow it
        os.nice(GIVES_WAY)
    first = read(sys.stdin.buffer)
    if first is None:
        return
    # The first message is registry and bounds, from the process that started this one and from nowhere else.
    registry, cache, most, asking = pickle.loads(first)
    suited = Picker(asking).suited if asking is not None and asking.plug_ins else no_plug_in
    lines = LineAnswerer(registry, GeometryCache(cache), most, suited)
    decode = msgspec.msgpack.Decoder(Chunk).decode
    encode = msgspec.msgpack.Encoder().encode
    write(answers, b"")  # ready
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
    while (message := read(sys.stdin.buffer)) is not None:
        write(answers, encode(lines.begin(decode(message))))


if __name__ == "__main__":
    main()
