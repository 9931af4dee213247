"""The first schema."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

LONG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables, and the one row of ``meta``."""
    _make_journal()
    _make_records()


def _make_journal() -> None:
    op.create_table(
        "journal",
        sa.Column("seq", LONG, primary_key=True, autoincrement=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("schema", sa.Integer, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("prev", sa.LargeBinary, nullable=False),
        sa.Column("hash", sa.LargeBinary, nullable=False),
    )
    meta = op.create_table(
        "meta",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("fence", sa.BigInteger, nullable=False),
        sa.Column("head_seq", sa.BigInteger, nullable=False),
        sa.Column("head_hash", sa.LargeBinary, nullable=False),
        sa.Column("standing", sa.Text, nullable=False),
    )
    first = {"id": 1, "fence": 0, "head_seq": 0, "head_hash": bytes(32), "standing": "ended"}
    op.bulk_insert(meta, [first])
    op.create_table(
        "declaration",
        sa.Column("digest", sa.Text, primary_key=True),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "snapshot",
        sa.Column("seq", LONG, primary_key=True, autoincrement=False),
        sa.Column("at_ms", sa.BigInteger, nullable=False),
        sa.Column("declaration", sa.Text, nullable=False),
        sa.Column("shape", sa.Text, nullable=False),
        sa.Column("entry_hash", sa.LargeBinary, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("body_hash", sa.LargeBinary, nullable=False),
    )


def _make_records() -> None:
    op.create_table(
        "record",
        sa.Column("id", LONG, primary_key=True),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("part_type", sa.Text, nullable=False),
        sa.Column("entered_ms", sa.BigInteger, nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("decided_ms", sa.BigInteger, nullable=False),
        sa.Column("batch", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.UniqueConstraint("serial", "part_type", "entered_ms", "revision", name="uq_record"),
    )
    op.create_index("ix_record_decided", "record", ["decided_ms", "id"])
    op.create_index("ix_record_batch", "record", ["batch"])
    op.create_table(
        "finding",
        sa.Column("record", sa.BigInteger, sa.ForeignKey("record.id"), primary_key=True),
        sa.Column("number", sa.Text, primary_key=True),
        sa.Column("part_type", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("value", sa.Float(53), nullable=True),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("station", sa.Text, nullable=False),
        sa.Column("program", sa.Text, nullable=False),
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("measured_ms", sa.BigInteger, nullable=True),
    )
    op.create_index("ix_finding_trend", "finding", ["part_type", "number", "measured_ms"])
    op.create_index("ix_finding_station", "finding", ["station"])
