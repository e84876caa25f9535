"""The first tables: machines, tags, descriptions, surveys, corrections, moves, notes."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


NAME = sa.String(64).with_variant(sa.String(64, collation="C"), "postgresql")


def name(column: str) -> sa.Column[str]:
    """Return a name that is part of the primary key."""
    return sa.Column(column, NAME, primary_key=True)


def document() -> tuple[sa.Column[bytes], sa.Column[str]]:
    """Return a document and its digest."""
    return sa.Column("document", sa.LargeBinary, nullable=False), sa.Column("digest", sa.String(64), nullable=False)


def upgrade() -> None:
    """Make the tables; what they hold is told in `farm/tables.py`."""
    op.create_table(
        "machines",
        name("id"),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("retired_at", sa.BigInteger),
        sa.Column("site", sa.String(64)),
        sa.Column("tags", sa.LargeBinary, nullable=False),
        sa.Column("units", sa.String(4), nullable=False),
        sa.Column("content", sa.String(64), nullable=False),
        sa.Column("check_every", sa.BigInteger),
        sa.Column("surveys", sa.Integer, nullable=False),
        sa.Column("notes", sa.Integer, nullable=False),
        sa.Column("standing", sa.String(16), nullable=False),
        sa.Column("place", sa.Double, nullable=False),
        sa.Column("judged", sa.Integer),
        sa.Column("judged_content", sa.String(64)),
        sa.Column("taken_at", sa.BigInteger),
        sa.Column("stale_at", sa.BigInteger),
        sa.Column("total", sa.Double),
        sa.Column("u", sa.Double),
        sa.Column("limit", sa.Double),
        sa.Column("visit", sa.LargeBinary, nullable=False),
        sa.Column("moved", sa.Integer, nullable=False),
    )
    op.create_index("machines_by_standing", "machines", ["retired_at", "standing", "place", "id", "stale_at"])
    op.create_index("machines_by_staleness", "machines", ["retired_at", "stale_at", "id"])
    op.create_index("machines_by_site", "machines", ["retired_at", "site", "id"])
    op.create_table(
        "tags",
        name("tag"),
        name("machine"),
        sa.ForeignKeyConstraint(["machine"], ["machines.id"]),
    )
    op.create_table(
        "descriptions",
        name("machine"),
        sa.Column("version", sa.Integer, primary_key=True),
        sa.Column("stored_at", sa.BigInteger, nullable=False),
        sa.Column("content", sa.String(64), nullable=False),
        *document(),
        sa.ForeignKeyConstraint(["machine"], ["machines.id"]),
    )
    op.create_table(
        "surveys",
        name("machine"),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("taken_at", sa.BigInteger, nullable=False),
        sa.Column("received_at", sa.BigInteger, nullable=False),
        sa.Column("key", sa.String(255)),
        sa.Column("sent", sa.String(64), nullable=False),
        *document(),
        sa.UniqueConstraint("machine", "key"),
        sa.ForeignKeyConstraint(["machine", "version"], ["descriptions.machine", "descriptions.version"]),
    )
    op.create_table(
        "corrections",
        name("machine"),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("input", sa.String(64), nullable=False),
        sa.Column("solver_versions", sa.LargeBinary, nullable=False),
        sa.Column("learnt_from", sa.LargeBinary, nullable=False),
        sa.Column("as_found", sa.String(16), nullable=False),
        sa.Column("predicted", sa.String(16), nullable=False),
        sa.Column("total", sa.Double, nullable=False),
        sa.Column("u", sa.Double, nullable=False),
        sa.Column("limit", sa.Double, nullable=False),
        sa.Column("units", sa.String(4), nullable=False),
        *document(),
        sa.ForeignKeyConstraint(["machine", "number"], ["surveys.machine", "surveys.number"]),
    )
    op.create_table(
        "moves",
        name("machine"),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("entry", sa.Integer, primary_key=True),
        sa.Column("recorded_at", sa.BigInteger, nullable=False),
        sa.Column("adjusters", sa.Integer, nullable=False),
        *document(),
        sa.ForeignKeyConstraint(["machine", "number"], ["surveys.machine", "surveys.number"]),
    )
    op.create_table(
        "notes",
        name("machine"),
        sa.Column("note", sa.Integer, primary_key=True),
        sa.Column("survey", sa.Integer),
        sa.Column("written_at", sa.BigInteger, nullable=False),
        *document(),
        sa.ForeignKeyConstraint(["machine"], ["machines.id"]),
    )
