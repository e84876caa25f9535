"""One process in which plug-ins run, asked from a thread that waits for it.

It tells on a page of shared memory which method of which plug-in runs, and sets a timer of the kernel that ends it
where that lasts too long: neither needs the interpreter, which a plug-in may be holding.
"""

from __future__ import annotations

import mmap
import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from time import monotonic

import msgspec

from tramwright_solvers.mechanisms.plug_ins import sentences
from tramwright_solvers.model.errors import PlugInFault, PlugInOutOfTime

from .messages import LENGTH, Ask, First, Reply

PROGRAM = """
import contextlib, os
gives_way, processors = {}, os.sched_getaffinity(0)
if gives_way:
    with contextlib.suppress(OSError):  # a host may not allow it
        os.nice(gives_way)
        os.sched_setaffinity(0, processors - {{min(processors)}} or processors)
from tramwright_service.batch.engines.plug_in_worker import main
main()
"""
"""What runs in the process; it stands further down, for it answers with everything there is. It gives way from the
start, because a plug-in may have it started again and again, and leaves one processor, where there are several, to
others: a loop that gives way is felt all the same by whoever wakes up beside it."""
GIVES_WAY = {"answers": 15, "suits": 0}
"""By how much its priority is lower: what a plug-in does must not be felt by others, but these wait for `suits`."""

PAGE = mmap.PAGESIZE
"""Bytes of the page on which the process tells what it is doing."""
GLANCE = 0.1
"""Seconds between two looks whether anybody still waits for an answer."""
READ = 2**16

_encode = msgspec.msgpack.Encoder().encode
_reply = msgspec.msgpack.Decoder(Reply).decode


class Left(Exception):
    """Nobody waits for the answer any more; the process has been ended."""


class PlugInProcess:
    """A process with some plug-ins loaded, which answers one message after the other.

    What is asked of it either comes back or ends in an exception; after any but a problem in the reply, it is gone.
    """

    def __init__(self, first: First) -> None:
        self.first = first
        page = os.memfd_create("plug-ins")
        try:
            os.ftruncate(page, PAGE)
            self._page = mmap.mmap(page, PAGE)
            one = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
            # -P: what lies in the current directory is not to be taken for a module
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", PROGRAM.format(GIVES_WAY[first.role]), str(page)],
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                pass_fds=[page],
                env={**os.environ, **one},
                start_new_session=True,  # so that it is ended with all that it has started
            )
        finally:
            os.close(page)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._to, self._back = self._process.stdin.fileno(), self._process.stdout.fileno()
        os.set_blocking(self._to, False)
        os.set_blocking(self._back, False)
        self._unsent = bytearray(self._framed(_encode(first)))
        self._read = bytearray()

    @property
    def gone(self) -> bool:
        """Whether it can be asked nothing more."""
        return self._process.poll() is not None

    def ask(self, ask: Ask, waits: Callable[[], bool] = lambda: True, within: float | None = None) -> Reply:
        """Return the reply, waited for no longer than ``within`` seconds, by default as long as a request may take.

        Raises:
            PlugInFault: the process ended meanwhile: says in which method of which plug-in, and how.
            Left: nobody ``waits`` any more.
        """
        self._unsent += self._framed(_encode(ask))
        try:
            return _reply(self._next(monotonic() + (within or self.first.patience), waits))
        except (OSError, TimeoutError) as error:
            if not (late := isinstance(error, TimeoutError)):
                with suppress(subprocess.TimeoutExpired):
                    self._process.wait(1.0)  # its streams end a moment before it has a status
            self.kill()
            raise self._fault(late) from None
        except BaseException:
            self.kill()
            raise

    def _next(self, end: float, waits: Callable[[], bool]) -> bytes:
        """Return the next message that comes."""
        poll = select.poll()
        poll.register(self._back, select.POLLIN)
        while True:
            if len(self._read) >= LENGTH.size:
                (length,) = LENGTH.unpack(self._read[: LENGTH.size])
                if len(self._read) >= LENGTH.size + length:
                    message = bytes(self._read[LENGTH.size : LENGTH.size + length])
                    del self._read[: LENGTH.size + length]
                    return message
            if not waits():
                raise Left
            left = end - monotonic()
            if left <= 0.0:
                raise TimeoutError
            if self._unsent:
                poll.register(self._to, select.POLLOUT)
            for file, event in poll.poll(1e3 * min(left, GLANCE)):
                if file == self._back:
                    part = os.read(self._back, READ)
                    if not part:
                        raise BrokenPipeError
                    self._read += part
                elif event & (select.POLLERR | select.POLLHUP):
                    raise BrokenPipeError
                else:
                    del self._unsent[: os.write(self._to, self._unsent)]
            if not self._unsent:
                with suppress(KeyError):
                    poll.unregister(self._to)

    @staticmethod
    def _framed(message: bytes) -> bytes:
        return LENGTH.pack(len(message)) + message

    def _fault(self, late: bool) -> PlugInFault:
        """Say what the process was doing when it ended, and how it ended."""
        status, told = self._process.returncode, bytes(self._page).partition(b"\0")[0].decode("utf-8", "replace")
        first = self.first.plug_ins[0]
        name, origin, method = told.split("\n") if told.count("\n") == 2 else (first.name, first.origin, "")
        kind = PlugInOutOfTime if late or status == -signal.SIGALRM else PlugInFault
        how = sentences.too_long(self.first.seconds) if kind is PlugInOutOfTime else sentences.ended(status)
        return kind(sentences.failed(name, origin, method or sentences.BETWEEN, how), name)

    def kill(self) -> None:
        """End the process, and what it has started, and wait until it is gone."""
        ended = self._process.poll() is not None
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self._process.pid, signal.SIGKILL)
        if not ended:
            self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
