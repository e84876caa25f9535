"""API keys."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

NAME = sa.String(64).with_variant(sa.String(64, collation="C"), "postgresql")


def upgrade() -> None:
    """Make the table; what it holds is told in `farm/tables.py`."""
    op.create_table(
        "keys",
        sa.Column("id", sa.String(8), primary_key=True),
        sa.Column("name", NAME, nullable=False),
        sa.Column("scope", sa.String(8), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("made_at", sa.BigInteger, nullable=False),
        sa.Column("used_at", sa.BigInteger),
        sa.Column("expires_at", sa.BigInteger),
        sa.UniqueConstraint("name"),
    )
