"""Events and who is told of them: events, counters, webhooks, leases; and whether a machine was told to be stale."""

import time

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


NAME = sa.String(64).with_variant(sa.String(64, collation="C"), "postgresql")


def upgrade() -> None:
    """Make the tables; what they hold is told in `farm/tables.py`. What is stale by now is no news."""
    op.add_column("machines", sa.Column("stale_told", sa.Integer, nullable=False, server_default="0"))
    now = time.time_ns() // 1000
    op.execute(sa.text("UPDATE machines SET stale_told = 1 WHERE stale_at <= :now").bindparams(now=now))
    op.create_index("machines_to_tell_of", "machines", ["retired_at", "stale_told", "stale_at"])
    op.create_table(
        "counters",
        sa.Column("name", NAME, primary_key=True),
        sa.Column("last", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "events",
        sa.Column("number", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("at", sa.BigInteger, nullable=False),
        sa.Column("type", sa.String(40), nullable=False),
        sa.Column("machine", NAME),
        sa.Column("source", sa.String(300), nullable=False),
        sa.Column("subject", sa.String(64), nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "webhooks",
        sa.Column("id", NAME, primary_key=True),
        sa.Column("url", sa.String(2000), nullable=False),
        sa.Column("wanted", sa.LargeBinary, nullable=False),
        sa.Column("secret", sa.LargeBinary, nullable=False),
        sa.Column("made_at", sa.BigInteger, nullable=False),
        sa.Column("after", sa.BigInteger, nullable=False),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("failing_since", sa.BigInteger),
        sa.Column("due_at", sa.BigInteger),
        sa.Column("disabled_at", sa.BigInteger),
        sa.Column("why", sa.String(500)),
    )
    op.create_table(
        "leases",
        sa.Column("name", NAME, primary_key=True),
        sa.Column("holder", sa.String(64), nullable=False),
        sa.Column("until", sa.BigInteger, nullable=False),
    )
