"""Which entries amended or signed a record, what other stations measured, and findings by station and time."""

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

LONG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
PAGE = 500


def upgrade() -> None:
    """Make the tables, and fill what follows from records that are there."""
    op.drop_index("ix_finding_station", "finding")
    op.create_index("ix_finding_station", "finding", ["station", "measured_ms"])
    op.create_table(
        "paper",
        sa.Column("seq", LONG, primary_key=True, autoincrement=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("part_type", sa.Text, nullable=False),
    )
    op.create_index("ix_paper_part", "paper", ["serial", "part_type"])
    monitor = op.create_table(
        "monitor",
        sa.Column("record", sa.BigInteger, sa.ForeignKey("record.id"), primary_key=True),
        sa.Column("number", sa.Text, primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("value", sa.Float(53), nullable=True),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("station", sa.Text, nullable=False),
        sa.Column("program", sa.Text, nullable=False),
        sa.Column("run_id", sa.Text, nullable=False),
        sa.Column("measured_ms", sa.BigInteger, nullable=False),
    )
    op.create_index("ix_monitor_station", "monitor", ["station", "measured_ms"])
    _fill(monitor)


def _fill(monitor: sa.Table) -> None:
    connection = op.get_bind()
    question = sa.text("SELECT id, body FROM record WHERE id > :last ORDER BY id LIMIT :page")
    last = 0
    while True:
        page = connection.execute(question, {"last": last, "page": PAGE}).all()
        rows = [row for record_id, body in page for row in _rows(record_id, body)]
        if rows:
            connection.execute(sa.insert(monitor), rows)
        if len(page) < PAGE:
            return
        last = page[-1][0]


def _rows(record_id: int, body: str) -> list[dict[str, Any]]:
    return [
        {
            "record": record_id,
            "number": finding["number"],
            "position": position,
            **{
                name: by[name]
                for name in ("value", "unit", "station", "program", "run_id", "measured_ms")
            },
        }
        for finding in json.loads(body)["findings"]
        for position, by in enumerate(finding["monitored_by"])
    ]
