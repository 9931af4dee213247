"""How long questions about records take where there are millions of results: ``python -m tests.bench.retrieval``.

Rules of this file:
- Rows are generated, and look like those of a cell: three part types, two stations, a batch of 50, one part in 50 nonconforming.
- Questions go through the store's own code, decoding included, each with another argument every time; median and slowest are told.
- Nothing is judged. The denominator is one question by primary key on the same database in the same minutes.
"""

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from random import Random

from sqlalchemy import Connection, insert, select, text

from supervisor.cell.model import Vouched
from supervisor.cell.value import replace
from supervisor.store import Store, open_store
from supervisor.store.codec import encode_record
from supervisor.store.measured import MeasuredFilter, measured
from supervisor.store.records import FindingFilter, RecordFilter
from supervisor.store.schema import FINDING, MONITOR, RECORD
from supervisor.store.suspicions import keep_suspicion
from supervisor.verdict.record import Evidence, Finding, Record
from supervisor.verdict.suspicion import Suspicion

FINDINGS = 25
BATCH = 50
AT_ONCE = 500
PART_MS = 90_000
"""A part every minute and a half."""
HOUR_MS = 3_600_000
BEGUN_MS = 1_700_000_000_000
PART_TYPES = ("cam-ring", "port-plate", "pump-body")
ROUNDS = 30


@dataclass(frozen=True, slots=True)
class Asked:
    """A question with its times in ms, and how many rows came the last time."""

    name: str
    times_ms: list[float]
    rows: int

    def line(self, denominator_ms: float) -> str:
        median = statistics.median(self.times_ms)
        return f"| {self.name} | {median:.1f} | {max(self.times_ms):.1f} | {median / denominator_ms:.0f} | {self.rows} |"


def main() -> None:
    """Fill a store and ask it."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.retrieval", description=__doc__)
    parser.add_argument("--results", type=int, default=1_000_000)
    parser.add_argument(
        "--database",
        default="",
        help="a store of its own, not a cell's; SQLite in a temporary folder if empty",
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        address = given.database or f"{folder}/retrieval.db"
        for line in measure(address, given.results):
            sys.stdout.write(f"{line}\n")
            sys.stdout.flush()


def measure(address: str, results: int, rounds: int = ROUNDS) -> Iterator[str]:
    """The table, line by line."""
    parts = max(1, results // FINDINGS)
    with open_store(address, durability="process-safe") as store:
        begun = time.perf_counter()
        fill(store, parts)
        filled_s = time.perf_counter() - begun
        told = f"{parts} records in {filled_s:.0f} s (load {os.getloadavg()[0]:.1f})"
        sys.stderr.write(told + "\n")
        denominator_ms = statistics.median(
            _timed(lambda n: _by_key(store, n % parts + 1), rounds).times_ms
        )
        yield f"{parts * FINDINGS:,} results in {parts:,} records; one row by its key takes {denominator_ms:.2f} ms"
        yield "| question | median ms | slowest ms | times one row | rows |"
        yield "| --- | --- | --- | --- | --- |"
        for name, ask in questions(store, parts):
            yield _timed(ask, rounds, name).line(denominator_ms)
        for when, first in (("just now", max(0, parts - BATCH)), ("long ago", 0)):
            fail_a_check(store, first)
            name = f"newest 100 suspect, a check failed {when}"
            yield _timed(lambda _: _suspect(store), rounds, name).line(denominator_ms)


def _by_key(store: Store, number: int) -> int:
    with store.records.reader.asking() as connection:
        return len(connection.execute(select(RECORD.c.serial).where(RECORD.c.id == number)).all())


def _suspect(store: Store) -> int:
    return len(store.records.page(RecordFilter(suspect="yes"), limit=100).records)


def _timed(ask: Callable[[int], int], rounds: int, name: str = "") -> Asked:
    random = Random(7)
    times: list[float] = []
    rows = 0
    for _ in range(rounds):
        number = random.randrange(1 << 30)
        begun = time.perf_counter()
        rows = ask(number)
        times.append((time.perf_counter() - begun) * 1000)
    return Asked(name=name, times_ms=times, rows=rows)


def questions(store: Store, parts: int) -> list[tuple[str, Callable[[int], int]]]:
    """What people ask, by name; each takes a number that chooses its argument."""
    records = store.records

    def page(**fields: object) -> int:
        return len(records.page(RecordFilter(**fields), limit=100).records)

    def time_of(n: int) -> int:
        return BEGUN_MS + n % parts * PART_MS

    def deep(n: int) -> int:
        return len(
            records.page(RecordFilter(), limit=100, after=f"{time_of(n)}-{n % parts}").records
        )

    def window(n: int) -> int:
        return page(from_ms=time_of(n), to_ms=time_of(n) + 2 * HOUR_MS)

    def trend(n: int) -> int:
        wanted = FindingFilter(part_type=PART_TYPES[n % 3], number=str(n % FINDINGS + 1))
        return len(records.findings(wanted, limit=1_000))

    def at_station(n: int) -> int:
        wanted = MeasuredFilter(
            station=("touch-1", "scan-1")[n % 2],
            from_ms=time_of(n),
            to_ms=time_of(n) + 3 * HOUR_MS,
        )
        return len(measured(records.reader, wanted, limit=500).lines)

    return [
        ("part by serial number", lambda n: len(records.revisions(f"{n % parts}"))),
        ("batch of 50", lambda n: page(batch=f"B{n % parts // BATCH}")),
        ("newest 100 of all", lambda _: page()),
        ("newest 100 of a part type", lambda n: page(part_type=PART_TYPES[n % 3])),
        ("newest 100 nonconforming", lambda _: page(verdict="nonconforming")),
        ("newest 100 that a station decided", lambda n: page(station=("touch-1", "scan-1")[n % 2])),
        ("100 from the middle of the list", deep),
        ("two hours, all parts", window),
        (
            "a batch, nonconforming only",
            lambda n: page(batch=f"B{n % parts // BATCH}", verdict="nonconforming"),
        ),
        ("trend of a characteristic, 1,000 values", trend),
        ("everything of a station in three hours, first 500", at_station),
        (
            "papers of a part",
            lambda n: len(records.papers(f"{n % parts}", part_type=PART_TYPES[0])),
        ),
        (
            "how many records of a part type",
            lambda n: records.count(RecordFilter(part_type=PART_TYPES[n % 3])),
        ),
    ]


# --- rows ------------------------------------------------------------------------------------------------------------------------


def fill(store: Store, parts: int) -> None:
    """Write the records of so many parts straight into the tables: the journal has no part in these questions."""
    for first in range(0, parts, AT_ONCE):
        numbers = range(first, min(parts, first + AT_ONCE))
        store._writer.run(lambda connection, numbers=numbers: _write(connection, numbers))
    with store.records.reader.asking() as connection:
        if connection.dialect.name == "postgresql":
            connection.execution_options(isolation_level="AUTOCOMMIT").execute(text("ANALYZE"))


def fail_a_check(store: Store, first: int) -> None:
    """touch-1 missed a value that vouches for three characteristics of one part type; in doubt is what it measured during a batch."""
    begun_ms = BEGUN_MS + first * PART_MS
    about = tuple(Vouched(part_type=PART_TYPES[0], number=number) for number in ("1", "3", "5"))
    suspicion = Suspicion(
        station="touch-1",
        program="master-ring-touch",
        run_id=f"R{first}",
        about=about,
        from_ms=begun_ms,
        to_ms=begun_ms + BATCH * PART_MS,
        why="touch-1 missed master-ring MR-7",
    )
    store._writer.run(lambda connection: keep_suspicion(connection, first + 1, suspicion))


def _write(connection: Connection, numbers: range) -> None:
    made = [(number + 1, record_of(number)) for number in numbers]
    connection.execute(insert(RECORD), [_record_row(key, record) for key, record in made])
    connection.execute(
        insert(FINDING),
        [_finding_row(key, record, finding) for key, record in made for finding in record.findings],
    )
    connection.execute(
        insert(MONITOR),
        [
            _evidence_row(by) | {"record": key, "number": finding.number, "position": 0}
            for key, record in made
            for finding in record.findings
            for by in finding.monitored_by
        ],
    )


def _record_row(key: int, record: Record) -> dict[str, object]:
    return {
        "id": key,
        "seq": key,
        "serial": record.serial,
        "part_type": record.part_type,
        "entered_ms": record.entered_ms,
        "revision": 1,
        "decided_ms": record.decided_ms,
        "batch": record.batch,
        "verdict": record.verdict,
        "body": encode_record(record),
    }


def _finding_row(key: int, record: Record, finding: Finding) -> dict[str, object]:
    about = {"record": key, "number": finding.number, "part_type": record.part_type}
    return about | {"verdict": finding.verdict} | _evidence_row(finding.decided_by)


def _evidence_row(by: Evidence) -> dict[str, object]:
    return {
        "value": by.value,
        "unit": by.unit,
        "station": by.station,
        "program": by.program,
        "run_id": by.run_id,
        "measured_ms": by.measured_ms,
    }


def record_of(number: int) -> Record:
    """The record of the part of a number."""
    random = Random(number)
    decided_ms = BEGUN_MS + number * PART_MS
    bad = number % 50 == 49
    findings = tuple(_finding(random, n, decided_ms) for n in range(FINDINGS))
    return replace(
        RECORD_LIKE,
        serial=str(number),
        part_type=PART_TYPES[number % 3],
        batch=f"B{number // BATCH}",
        entered_ms=decided_ms - 25 * 60_000,
        decided_ms=decided_ms,
        verdict="nonconforming" if bad else "conforming",
        findings=findings,
    )


def _finding(random: Random, number: int, decided_ms: int) -> Finding:
    station = ("touch-1", "scan-1")[number % 2]
    by = replace(
        BY,
        value=25.01 + random.gauss(0, 0.003),
        station=station,
        run_id=f"R{decided_ms}",
        measured_ms=decided_ms - random.randrange(20 * 60_000),
    )
    beside = (replace(by, station="scan-1"),) if station == "touch-1" and number % 5 == 0 else ()
    return replace(FINDING_LIKE, number=str(number + 1), decided_by=by, monitored_by=beside)


BY = Evidence(
    value=25.0, unit="mm", quality="good", expanded_u=Decimal("0.0020"), k=Decimal(2), station="touch-1",
    program="pump-body-touch", program_revision="3", run_id="R1", result_id="touch-1/1", measured_ms=0,
)  # fmt: skip
FINDING_LIKE = Finding(
    number="1", name="Bearing bore on the drive side", kind="diameter", unit="mm", nominal=Decimal(25),
    lower=Decimal("25.000"), upper=Decimal("25.021"), accept_lower=Decimal("25.00165"), accept_upper=Decimal("25.01935"),
    need="mandatory", verdict="conforming", why="25.0104 mm is inside the conformity zone", decided_by=BY, monitored_by=(),
)  # fmt: skip
RECORD_LIKE = Record(
    serial="", part_type="", plan_revision="C", batch="", produced="2025-11-24T05:12:40Z", pallet="grai:9521234.12345.12",
    declaration="9f2c" * 16, rule="ISO 14253-1:2017, guard factor 1.65", revision=1, entered_ms=0, decided_ms=0,
    verdict="conforming", why="all 25 mandatory characteristics conform", findings=(),
)  # fmt: skip

if __name__ == "__main__":
    main()
