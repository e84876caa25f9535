"""The history of machines: the terms of each survey, and what they have come to.

Surveys stored before have no row of terms: what is not known of them is told so, and their totals are.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

NAME = sa.String(64).with_variant(sa.String(64, collation="C"), "postgresql")


def upgrade() -> None:
    """Make the table and what the rows of machines keep; what they hold is told in `farm/tables.py`."""
    op.create_table(
        "terms",
        sa.Column("machine", NAME, primary_key=True),
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("document", sa.LargeBinary, nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.ForeignKeyConstraint(["machine", "number"], ["surveys.machine", "surveys.number"]),
    )
    op.create_index("surveys_by_time", "surveys", ["machine", "taken_at", "number"])
    op.add_column("machines", sa.Column("outlook", sa.LargeBinary))
