"""The lease: who drives the cell, and that it is awake."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

LENGTH_MS = 2_000


def upgrade() -> None:
    """Make the table with its one row, held by nobody that is known."""
    fence = op.get_bind().execute(sa.text("SELECT fence FROM meta")).scalar_one()
    lease = op.create_table(
        "lease",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("fence", sa.BigInteger, nullable=False),
        sa.Column("beat", sa.BigInteger, nullable=False),
        sa.Column("length_ms", sa.Integer, nullable=False),
        sa.Column("host", sa.Text, nullable=False),
        sa.Column("pid", sa.BigInteger, nullable=False),
        sa.Column("boot", sa.Text, nullable=False),
        sa.Column("space", sa.Text, nullable=False),
        sa.Column("started", sa.Text, nullable=False),
    )
    nobody = {"host": "", "pid": 0, "boot": "", "space": "", "started": ""}
    op.bulk_insert(lease, [{"id": 1, "fence": fence, "beat": 0, "length_ms": LENGTH_MS, **nobody}])
