"""What failed checks cast doubt on. There were no such checks before, so the table begins empty."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "suspicion",
        sa.Column(
            "seq",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("part_type", sa.Text, primary_key=True),
        sa.Column("number", sa.Text, primary_key=True),
        sa.Column("station", sa.Text, nullable=False),
        sa.Column("program", sa.Text, nullable=False),
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("from_ms", sa.BigInteger, nullable=False),
        sa.Column("to_ms", sa.BigInteger, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
    )
