"""The tables of the store. What is asked for by lists has a column; everything else stands in a document beside it.

A document is the JSON of its wire type as bytes, with its digest. Times are whole microseconds since 1970, UTC, so that
both databases keep and order them alike. Rows of descriptions, surveys, corrections, moves and notes are only ever
added.
"""

from __future__ import annotations

from hashlib import sha256

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    UniqueConstraint,
)

METADATA = MetaData()


# in the order of code points, as SQLite has it, whatever the language of the database
NAME = String(64).with_variant(String(64, collation="C"), "postgresql")


def _name(column: str) -> Column[str]:
    return Column(column, NAME, primary_key=True)


def _document() -> tuple[Column[bytes], Column[str]]:
    return Column("document", LargeBinary, nullable=False), Column("digest", String(64), nullable=False)


MACHINES = Table(
    "machines",
    METADATA,
    _name("id"),
    Column("version", Integer, nullable=False),
    Column("retired_at", BigInteger),
    Column("site", String(64)),
    Column("tags", LargeBinary, nullable=False),  # JSON, as lists show them; `tags` has them to filter by
    Column("units", String(4), nullable=False),  # of the survey judged, else of the description
    Column("content", String(64), nullable=False),  # digest of what corrections depend on: description and options
    Column("check_every", BigInteger),  # microseconds
    Column("surveys", Integer, nullable=False),
    Column("notes", Integer, nullable=False),
    # how it stands, kept by every write
    Column("standing", String(16), nullable=False),  # as surveyed; that it has become stale is told by `stale_at`
    Column(
        "place", Double, nullable=False
    ),  # minus total over limit: those of a standing in ascending order are the worst first
    Column("judged", Integer),  # number of the survey
    Column("judged_content", String(64)),  # content of the description that it was corrected with
    Column("taken_at", BigInteger),
    Column("stale_at", BigInteger),
    Column("stale_told", Integer, nullable=False),  # 1 where an event has told that it is stale
    Column("total", Double),
    Column("u", Double),
    Column("limit", Double),
    Column("visit", LargeBinary, nullable=False),  # JSON
    Column("moved", Integer, nullable=False),  # 1 where moves were recorded after the survey that is judged
    Column("outlook", LargeBinary),  # JSON: drift and next check; none before the first survey that keeps its terms
    Index("machines_by_standing", "retired_at", "standing", "place", "id", "stale_at"),
    Index("machines_by_staleness", "retired_at", "stale_at", "id"),
    Index("machines_by_site", "retired_at", "site", "id"),
    Index("machines_to_tell_of", "retired_at", "stale_told", "stale_at"),
)

TAGS = Table(
    "tags",
    METADATA,
    _name("tag"),
    _name("machine"),
    ForeignKeyConstraint(["machine"], ["machines.id"]),
)

DESCRIPTIONS = Table(
    "descriptions",
    METADATA,
    _name("machine"),
    Column("version", Integer, primary_key=True),
    Column("stored_at", BigInteger, nullable=False),
    Column("content", String(64), nullable=False),
    *_document(),
    ForeignKeyConstraint(["machine"], ["machines.id"]),
)

SURVEYS = Table(
    "surveys",
    METADATA,
    _name("machine"),
    Column("number", Integer, primary_key=True),
    Column("version", Integer, nullable=False),
    Column("taken_at", BigInteger, nullable=False),
    Column("received_at", BigInteger, nullable=False),
    Column("key", String(255)),  # Idempotency-Key
    Column("sent", String(64), nullable=False),  # digest of what was sent, to tell a repetition from another survey
    *_document(),
    UniqueConstraint("machine", "key"),
    Index("surveys_by_time", "machine", "taken_at", "number"),
    ForeignKeyConstraint(["machine", "version"], ["descriptions.machine", "descriptions.version"]),
)

CORRECTIONS = Table(
    "corrections",
    METADATA,
    _name("machine"),
    Column("number", Integer, primary_key=True),
    Column("input", String(64), nullable=False),
    Column("solver_versions", LargeBinary, nullable=False),  # JSON
    Column("learnt_from", LargeBinary, nullable=False),  # JSON: pairs of survey and entry of its moves
    Column("as_found", String(16), nullable=False),
    Column("predicted", String(16), nullable=False),
    Column("total", Double, nullable=False),
    Column("u", Double, nullable=False),
    Column("limit", Double, nullable=False),
    Column("units", String(4), nullable=False),
    *_document(),
    ForeignKeyConstraint(["machine", "number"], ["surveys.machine", "surveys.number"]),
)

TERMS = Table(  # none of surveys that were stored before terms were kept
    "terms",
    METADATA,
    _name("machine"),
    Column("number", Integer, primary_key=True),
    *_document(),
    ForeignKeyConstraint(["machine", "number"], ["surveys.machine", "surveys.number"]),
)

MOVES = Table(
    "moves",
    METADATA,
    _name("machine"),
    Column("number", Integer, primary_key=True),
    Column("entry", Integer, primary_key=True),
    Column("recorded_at", BigInteger, nullable=False),
    Column("adjusters", Integer, nullable=False),  # how many were moved
    *_document(),
    ForeignKeyConstraint(["machine", "number"], ["surveys.machine", "surveys.number"]),
)

NOTES = Table(
    "notes",
    METADATA,
    _name("machine"),
    Column("note", Integer, primary_key=True),
    Column("survey", Integer),
    Column("written_at", BigInteger, nullable=False),
    *_document(),
    ForeignKeyConstraint(["machine"], ["machines.id"]),
)

# What follows is not measured: it says what happened lately and who is to be told. `transfer.py` leaves it out but for
# the counters.

COUNTERS = Table("counters", METADATA, _name("name"), Column("last", BigInteger, nullable=False))
"""Numbers given out last; a counter that is not there has given none."""

EVENTS = Table(
    "events",
    METADATA,
    Column("number", BigInteger, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
    Column("type", String(40), nullable=False),
    Column("machine", NAME),
    Column("source", String(300), nullable=False),
    Column("subject", String(64), nullable=False),
    Column("data", LargeBinary, nullable=False),  # JSON
)

WEBHOOKS = Table(
    "webhooks",
    METADATA,
    _name("id"),
    Column("url", String(2000), nullable=False),
    Column("wanted", LargeBinary, nullable=False),  # JSON: types and machines
    Column("secret", LargeBinary, nullable=False),  # the key itself: what is sent is signed with it
    Column("made_at", BigInteger, nullable=False),
    Column("after", BigInteger, nullable=False),  # number of the last event that is done with
    Column("failures", Integer, nullable=False),
    Column("failing_since", BigInteger),
    Column("due_at", BigInteger),  # when to try again
    Column("disabled_at", BigInteger),
    Column("why", String(500)),
)

LEASES = Table(
    "leases",
    METADATA,
    _name("name"),
    Column("holder", String(64), nullable=False),
    Column("until", BigInteger, nullable=False),
)
"""What one process does for all, which does it now, and until when it may without asking again."""

KEYS = Table(
    "keys",
    METADATA,
    Column("id", String(8), primary_key=True),
    Column("name", NAME, nullable=False),
    Column("scope", String(8), nullable=False),
    Column("digest", String(64), nullable=False),  # SHA-256 of the key, which itself is kept nowhere
    Column("made_at", BigInteger, nullable=False),
    Column("used_at", BigInteger),  # beginning of the hour in which it was used last
    Column("expires_at", BigInteger),
    UniqueConstraint("name"),
)


def digest(document: bytes) -> str:
    """Return the digest that is kept beside a document."""
    return sha256(document).hexdigest()
