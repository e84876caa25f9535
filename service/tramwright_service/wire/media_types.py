"""Media types that are read and written here."""

from __future__ import annotations

JSON = "application/json"

MSGPACK = "application/msgpack"

MSGPACK_NAMES = (MSGPACK, "application/x-msgpack", "application/vnd.msgpack")

READ_HERE = (JSON, *MSGPACK_NAMES)


TEXT = "text/plain"


NDJSON = "application/x-ndjson"
EVENTS = "text/event-stream"
CLOUD_EVENT = "application/cloudevents+json"

MERGE_PATCH = "application/merge-patch+json"

OCTETS = "application/octet-stream"
"""The same lines, for clients that know no better name for them."""

LINES = (NDJSON, OCTETS)

HTML = "text/html"

SVG = "image/svg+xml"
PNG = "image/png"
PDF = "application/pdf"

PICTURES = (SVG, PNG, PDF)
"""What is drawn: for eyes and paper."""

MARK = b"\xef\xbb\xbf"
"""The byte order mark with which some programs begin a UTF-8 file; RFC 8259, 8.1, allows to pass over it."""
