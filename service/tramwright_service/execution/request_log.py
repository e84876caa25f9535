"""The log: JSON, one object a line, on standard error, whoever has something to say."""

from __future__ import annotations

import logging
import sys
from typing import Any

import msgspec
import structlog

from ..wire.access import discreet
from ..wire.plain import plain


def configure(level: str) -> None:
    """Send our log lines as JSON, one a line, to standard error, from this level up."""
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(serializer=_serialize),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelNamesMapping()[level.upper()]),
        logger_factory=structlog.BytesLoggerFactory(sys.stderr.buffer),
        cache_logger_on_first_use=True,
    )


def capture(level: str) -> None:
    """Send what the server, the event loop and libraries log or warn of the same way; for a process of our own."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[
                structlog.stdlib.add_log_level,
                structlog.stdlib.add_logger_name,
                structlog.processors.TimeStamper(fmt="iso", utc=True),
            ],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info,
                structlog.processors.JSONRenderer(serializer=lambda event, **_: _serialize(event).decode()),
            ],
        )
    )
    least = max(logging.getLevelNamesMapping()[level.upper()], logging.WARNING)
    logging.basicConfig(handlers=[handler], level=least, force=True)
    logging.captureWarnings(True)


def _serialize(event: Any, **_: Any) -> bytes:
    return discreet(plain(msgspec.json.encode(event, enc_hook=repr).decode()).encode())
