"""The tables.

Rules of this file:
- ``journal`` and ``declaration`` are the truth; all other tables but ``meta`` follow from them and could be rebuilt.
- ``finding`` has the deciding value of each characteristic, ``monitor`` the values of other stations beside it, ``paper`` which
  entries amended or signed a record.
- ``meta`` has one row: the fence of whoever drives the cell, a head that the journal has reached, and whether that supervisor has
  ended in order (then the head is the journal's last entry).
- ``lease`` has one row: the same fence, the beat that its driver lets grow, and which process that is.
- ``suspicion`` has what a failed check casts doubt on, one row for each characteristic; records that it concerns stay as they are.
- What stations and people have written stands in columns of ``TOLD``, which every database can keep.
- Times are the cell's time in ms. Bodies are UTF-8 JSON text, written once and never changed.
- A change here needs a migration; a test compares the two.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

METADATA = MetaData()

# In SQLite only INTEGER PRIMARY KEY is the row's own number; PostgreSQL needs 64 bits said.
LONG = BigInteger().with_variant(Integer(), "sqlite")


class Told(TypeDecorator[str]):
    """Text of stations and people. PostgreSQL keeps no NUL in a text: U+FFFD stands for it, in what is kept and in what is asked for alike.

    Bodies are JSON, which writes it in another way.
    """

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:  # noqa: ARG002 - the form of SQLAlchemy
        """The text as every database can keep it."""
        return None if value is None else value.replace("\0", "\ufffd")


TOLD = Told()

JOURNAL = Table(
    "journal",
    METADATA,
    Column("seq", LONG, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("schema", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("prev", LargeBinary, nullable=False),
    Column("hash", LargeBinary, nullable=False),
)

META = Table(
    "meta",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("fence", BigInteger, nullable=False),
    Column("head_seq", BigInteger, nullable=False),
    Column("head_hash", LargeBinary, nullable=False),
    Column("standing", Text, nullable=False),
)

LEASE = Table(
    "lease",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("fence", BigInteger, nullable=False),
    Column("beat", BigInteger, nullable=False),
    Column("length_ms", Integer, nullable=False),
    Column("host", Text, nullable=False),
    Column("pid", BigInteger, nullable=False),
    Column("boot", Text, nullable=False),
    Column("space", Text, nullable=False),
    Column("started", Text, nullable=False),
)

DECLARATION = Table(
    "declaration",
    METADATA,
    Column("digest", Text, primary_key=True),
    Column("body", Text, nullable=False),
)

SNAPSHOT = Table(
    "snapshot",
    METADATA,
    Column("seq", LONG, primary_key=True, autoincrement=False),
    Column("at_ms", BigInteger, nullable=False),
    Column("declaration", Text, nullable=False),
    Column("shape", Text, nullable=False),
    Column("entry_hash", LargeBinary, nullable=False),
    Column("body", Text, nullable=False),
    Column("body_hash", LargeBinary, nullable=False),
)

RECORD = Table(
    "record",
    METADATA,
    Column("id", LONG, primary_key=True),
    Column("seq", BigInteger, nullable=False),
    Column("serial", TOLD, nullable=False),
    Column("part_type", TOLD, nullable=False),
    Column("entered_ms", BigInteger, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("decided_ms", BigInteger, nullable=False),
    Column("batch", TOLD, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("body", Text, nullable=False),
    UniqueConstraint("serial", "part_type", "entered_ms", "revision", name="uq_record"),
    Index("ix_record_decided", "decided_ms", "id"),
    Index("ix_record_batch", "batch"),
)

FINDING = Table(
    "finding",
    METADATA,
    Column("record", BigInteger, ForeignKey("record.id"), primary_key=True),
    Column("number", TOLD, primary_key=True),
    Column("part_type", TOLD, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("value", Float(53), nullable=True),
    Column("unit", TOLD, nullable=False),
    Column("station", TOLD, nullable=False),
    Column("program", TOLD, nullable=False),
    Column("run_id", TOLD, nullable=False),
    Column("measured_ms", BigInteger, nullable=True),
    Index("ix_finding_trend", "part_type", "number", "measured_ms"),
    Index("ix_finding_station", "station", "measured_ms"),
)

MONITOR = Table(
    "monitor",
    METADATA,
    Column("record", BigInteger, ForeignKey("record.id"), primary_key=True),
    Column("number", TOLD, primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("value", Float(53), nullable=True),
    Column("unit", TOLD, nullable=False),
    Column("station", TOLD, nullable=False),
    Column("program", TOLD, nullable=False),
    Column("run_id", TOLD, nullable=False),
    Column("measured_ms", BigInteger, nullable=False),
    Index("ix_monitor_station", "station", "measured_ms"),
)

PAPER = Table(
    "paper",
    METADATA,
    Column("seq", LONG, primary_key=True, autoincrement=False),
    Column("serial", TOLD, nullable=False),
    Column("part_type", TOLD, nullable=False),
    Index("ix_paper_part", "serial", "part_type"),
)

SUSPICION = Table(
    "suspicion",
    METADATA,
    Column("seq", LONG, primary_key=True, autoincrement=False),
    Column("part_type", TOLD, primary_key=True),
    Column("number", TOLD, primary_key=True),
    Column("station", TOLD, nullable=False),
    Column("program", TOLD, nullable=False),
    Column("run_id", TOLD, nullable=False),
    Column("from_ms", BigInteger, nullable=False),
    Column("to_ms", BigInteger, nullable=False),
    Column("why", TOLD, nullable=False),
)
