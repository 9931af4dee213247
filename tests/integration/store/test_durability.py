"""What a commit promises."""

import signal
import subprocess
import sys
import tempfile

import psycopg
import pytest

from supervisor.store import StoreError, StoreRefused, open_archive
from supervisor.store.journal import HEAD_EVERY

pytestmark = pytest.mark.integration


def setting(store, name):
    return store._writer.cursor.execute(name).fetchone()[0]


def test_a_power_safe_sqlite_journal_syncs_the_log_at_every_commit(sqlite, opened):
    store = opened(sqlite)
    assert setting(store, "PRAGMA journal_mode") == "wal"
    # 2 is FULL: the log is synced at each commit (sqlite.org, "PRAGMA synchronous" and "Write-Ahead Logging").
    assert setting(store, "PRAGMA synchronous") == 2


def test_a_process_safe_sqlite_journal_does_not(sqlite, opened):
    # 1 is NORMAL: in WAL mode commits survive the process, the last ones not a power cut (same source).
    assert setting(opened(sqlite, durability="process-safe"), "PRAGMA synchronous") == 1


@pytest.mark.parametrize(
    ("durability", "expected"), [("power-safe", "on"), ("process-safe", "off")]
)
def test_a_postgres_journal_waits_for_its_log_when_it_is_power_safe(
    postgres, opened, durability, expected
):
    assert setting(opened(postgres, durability=durability), "SHOW synchronous_commit") == expected


def test_a_connection_made_anew_keeps_the_promise(sqlite, opened, make):
    store = opened(sqlite)
    store._writer.drop()
    store.journal.append(make.entries(1, 1))
    assert setting(store, "PRAGMA synchronous") == 2


WRITER = """
import sys
from supervisor.core.events import TimerFired
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.store import open_store
store = open_store(sys.argv[1])
seq = store.journal.head().seq
while True:
    seq += 1
    event = TimerFired(timer=f"timer {seq}")
    store.journal.append([JournalEntry(seq=seq, at_ms=seq, schema=SCHEMA, event=event, commands=())])
    print(seq, flush=True)
"""


@pytest.mark.parametrize("lines", [1, 20, 57])
@pytest.mark.hazard(16)
def test_a_killed_process_loses_nothing_that_it_was_told_is_durable(sqlite, opened, lines):
    writer = subprocess.Popen([sys.executable, "-c", WRITER, sqlite], stdout=subprocess.PIPE)
    told = [int(writer.stdout.readline()) for _ in range(lines)]
    writer.send_signal(signal.SIGKILL)
    rest, _ = writer.communicate()
    told += [int(line) for line in rest.split()]
    store = opened(sqlite)
    assert store.journal.head().seq >= told[-1]
    assert store.verify().fault is None


def standing(store):
    with store._reader.asking() as connection:
        return connection.exec_driver_sql("SELECT head_seq, standing FROM meta").one()


def test_an_orderly_end_is_noted_with_the_last_entry(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, 5))
    assert standing(store) == (0, "driving")
    store.close()
    with open_archive(address) as archive:
        assert standing(archive) == (5, "ended")


def test_the_noted_head_follows_a_long_run(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, HEAD_EVERY - 1))
    assert standing(store) == (0, "driving")
    store.journal.append(make.entries(HEAD_EVERY, HEAD_EVERY))
    assert standing(store) == (HEAD_EVERY, "driving")


def test_closing_a_store_whose_database_is_gone_raises_nothing(postgres_server, postgres, opened):
    store = opened(postgres)
    postgres_server.stop()
    store.close()
    postgres_server.start()


@pytest.mark.hazard(32)
def test_a_full_disk_refuses_and_then_goes_on(sqlite, opened, make):
    store = opened(sqlite)
    store.journal.append(make.entries(1, 1))
    pages = setting(store, "PRAGMA page_count")
    store._writer.cursor.execute(f"PRAGMA max_page_count = {pages + 2}")
    big = [make.keeping(2, *(make.record(str(n)) for n in range(50)))]
    with pytest.raises(StoreRefused, match="full"):
        store.journal.append(big)
    assert [entry.seq for entry in store.journal.read(1)] == [1]
    # The connection made anew has no such bound any more: there is room again.
    assert store.journal.append(big).seq == 2
    assert store.verify().fault is None


@pytest.fixture
def taking_nothing(postgres):
    """Calls that let the database take no writes, and take them again."""
    with psycopg.connect(postgres, autocommit=True) as operator:
        yield (
            lambda: operator.execute(
                "ALTER DATABASE postgres SET default_transaction_read_only = on"
            ),
            lambda: takes_writes(operator),
        )
        takes_writes(operator)


def takes_writes(operator):
    operator.execute("ALTER DATABASE postgres RESET default_transaction_read_only")


@pytest.mark.hazard(32)
def test_a_postgres_database_that_takes_no_writes_refuses_and_then_goes_on(
    postgres, taking_nothing, opened, make
):
    """As after a failover to a server that only follows, or when its operator says so."""
    begin, end = taking_nothing
    store = opened(postgres)
    store.journal.append(make.entries(1, 1))
    begin()
    with_sessions_of_now(store)
    for act in (lambda: store.journal.append(make.entries(2, 3)), store.lease.renew):
        with pytest.raises(StoreRefused, match="read-only transaction"):
            act()
    end()
    with_sessions_of_now(store)
    assert store.journal.append(make.entries(2, 3)).seq == 3
    store.lease.renew()
    assert store.verify().fault is None


def with_sessions_of_now(store):
    """End every session, as a failover does."""
    store._writer.drop()
    store._writer.engine.dispose()
    store.lease._engine.dispose()


def test_a_database_in_use_by_somebody_is_waited_for_and_then_refused(
    sqlite, opened, make, monkeypatch
):
    monkeypatch.setattr("supervisor.store.database.BUSY_MS_MAX", 50)
    store = opened(sqlite)
    with open_archive(sqlite) as other, other._reader.asking() as connection:
        connection.exec_driver_sql("PRAGMA query_only = OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        with pytest.raises(StoreRefused, match="locked"):
            store.journal.append(make.entries(1, 1))
    assert store.journal.append(make.entries(1, 1)).seq == 1


def test_a_file_that_is_no_database_is_said(tmp_path, opened):
    path = tmp_path / "cell.db"
    path.write_text("This is a shopping list.\n" * 100)
    with pytest.raises(StoreError, match="not a database"):
        opened(str(path))


@pytest.mark.parametrize("content", ["missing", "empty", "a text"])
def test_an_archive_of_nothing_is_said(tmp_path, content):
    path = tmp_path / "cell.db"
    if content != "missing":
        path.write_text("" if content == "empty" else content)
    with pytest.raises(StoreError) as caught:
        open_archive(str(path))
    assert caught.value.code == "no-journal"


READ_ONLY = """
import os, pwd, shutil, sys
from pathlib import Path
from supervisor.core.events import TimerFired
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.store import StoreRefused, open_store

folder = Path(sys.argv[1])
store = open_store(str(folder / "cell.db"))

def append(seq):
    event = TimerFired(timer=f"timer {seq}")
    store.journal.append([JournalEntry(seq=seq, at_ms=seq, schema=SCHEMA, event=event, commands=())])

def let(mode):
    for path in folder.glob("cell.db*"):
        path.chmod(mode)
    folder.chmod(mode | 0o100)

append(1)
if os.geteuid() == 0:  # may write anything, so become somebody whom the system really keeps from it
    for path in (folder, *folder.glob("cell.db*")):
        shutil.chown(path, "nobody")
    os.seteuid(pwd.getpwnam("nobody").pw_uid)
let(0o444)
# What is open stays writable, and SQLite keeps files open; a first connection finds what a remounted disk shows.
store._reader._engine.dispose()
store._writer.drop()
try:
    append(2)
except StoreRefused as refused:
    print("refused:", refused, flush=True)
let(0o644)
append(2)
print([entry.seq for entry in store.journal.read(1)], store.verify().fault, flush=True)
"""


@pytest.mark.hazard(32)
def test_a_database_that_may_not_be_written_refuses_and_then_goes_on(repository):
    with tempfile.TemporaryDirectory(prefix="kept-") as folder:
        ended = subprocess.run(
            [sys.executable, "-c", READ_ONLY, folder],
            cwd=repository,
            capture_output=True,
            text=True,
            check=False,
        )
    assert ended.returncode == 0, ended.stderr[-2000:]
    refused, went_on = ended.stdout.splitlines()
    assert "readonly database" in refused
    assert went_on == "[1, 2] None"
