"""Hazard 19: one supervisor drives; another one stands by, and takes over from one that does not renew its lease.

A driver that stands still is here one that does not renew. All else it keeps: its connection, its lock, what it has begun.
"""

import signal
import subprocess
import sys
import time

import pytest
from sqlalchemy import text

from supervisor.store import Standby, StoreError, StoreRefused, database
from supervisor.store.lease import Watch, seen_in, take

pytestmark = pytest.mark.integration

LEASE_S = 0.2
STEADY_LEASE_S = 1.5
"""Long enough that a busy machine renews it in time."""

HOLDER = """
import sys
from supervisor.store import open_store
store = open_store(sys.argv[1], lease_s=0.2)
if sys.argv[2] == "writing":
    store._writer.cursor.execute("BEGIN IMMEDIATE")
print(store.fence, flush=True)
sys.stdin.read()
"""


@pytest.fixture
def standby():
    made = []

    def make(address, lease_s=LEASE_S):
        made.append(Standby(address, lease_s=lease_s))
        return made[-1]

    yield make
    for each in made:
        each.close()


def taken_by(standby, limit_s=20.0):
    """The store, once a standby gets it."""
    store, _ = taken_by_one_of([standby], limit_s)
    return store


def taken_by_one_of(standbys, limit_s=20.0):
    """The store, once one of several gets it, and those that do not have it. Nobody can say which one looks first when the lease is over."""
    deadline_s = time.monotonic() + limit_s
    while time.monotonic() < deadline_s:
        for standby in standbys:
            store = standby.look()
            if store is not None:
                return store, [each for each in standbys if each is not standby]
        time.sleep(standbys[0].pause_s)
    raise AssertionError("no standby took over")


def code_of(act):
    with pytest.raises(StoreError) as caught:
        act()
    return caught.value.code, isinstance(caught.value, StoreRefused)


def test_nobody_takes_over_from_a_driver_that_renews(address, opened, standby):
    driver = opened(address, lease_s=STEADY_LEASE_S)
    waiting = standby(address)
    begun_s = time.monotonic()
    while time.monotonic() - begun_s < 1.5 * STEADY_LEASE_S:
        driver.lease.renew()
        assert waiting.look() is None
        time.sleep(STEADY_LEASE_S / 50)
    assert f"process {driver.driver().holder.pid}" in waiting.driver


@pytest.mark.hazard(19)
def test_a_standby_takes_over_when_the_lease_ran_out_and_the_old_driver_can_do_nothing(
    address, opened, standby, make
):
    old = opened(address, lease_s=LEASE_S)
    old.journal.append(make.entries(1, 2))
    with taken_by(standby(address)) as new:
        assert new.fence == old.fence + 1
        for act in (
            lambda: old.journal.append(make.entries(3, 3)),
            lambda: old.journal.append(make.entries(3, 4)),
            old.lease.renew,
        ):
            code, passing = code_of(act)
            # On a server the old one's connection was cut; it is told of the fence when it asks again.
            assert code == "fence-lost" or passing
        new.journal.append(make.entries(3, 3))
        assert code_of(old.lease.renew) == ("fence-lost", False)
        assert [entry.seq for entry in new.journal.read(1)] == [1, 2, 3]
        new.lease.renew()
        assert new.verify().fault is None


@pytest.mark.hazard(19)
@pytest.mark.parametrize("after_a_look", [0.001, 0.5, 0.999])
def test_a_standby_takes_over_no_sooner_than_after_a_lease_and_within_a_quarter_more(
    address, opened, standby, after_a_look
):
    """The time that docs/explanation/one-driver.md states, on the standby's own clock, wherever the last renewal falls between two looks."""
    length_s, now_s = 8.0, [100.0]
    driver = opened(address, lease_s=length_s)
    waiting = standby(address)
    waiting._watch = Watch(lambda: now_s[0])
    assert waiting.look() is None
    renewed_s = now_s[0] + after_a_look * waiting.pause_s
    driver.lease.renew()
    taken = None
    while taken is None:
        now_s[0] += waiting.pause_s
        taken = waiting.look()
        assert now_s[0] < renewed_s + 2 * length_s, "it never takes over"
    taken.close()
    assert length_s <= now_s[0] - renewed_s <= 1.25 * length_s


@pytest.mark.hazard(19)
def test_of_two_standbys_one_takes_over(address, opened, standby):
    opened(address, lease_s=LEASE_S)
    both = [standby(address, STEADY_LEASE_S), standby(address, STEADY_LEASE_S)]
    store, [other] = taken_by_one_of(both)
    with store as new:
        new.lease.renew()
        assert other.look() is None
        assert new.driver().fence == 2


def test_a_driver_that_wakes_up_in_the_last_moment_keeps_the_cell(address, opened):
    driver = opened(address, lease_s=LEASE_S)
    seen = driver.driver()
    driver.lease.renew()

    def take_it(connection):
        take(connection, seen, length_s=LEASE_S, fence_above=0)

    assert code_of(lambda: driver._writer.run(take_it)) == ("cell-taken", False)
    driver.lease.renew()


def test_a_standby_takes_a_cell_at_once_whose_driver_ended(address, opened, standby):
    opened(address, lease_s=60.0).close()
    with taken_by(standby(address), limit_s=5.0) as new:
        assert new.fence == 2


def holder(address, doing):
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, address, doing],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdout.readline() == b"1\n"
    return process


@pytest.mark.hazard(19)
def test_a_frozen_process_keeps_its_lock_and_loses_the_cell(address, standby, opened):
    process = holder(address, "nothing")
    process.send_signal(signal.SIGSTOP)
    try:
        with taken_by(standby(address)) as new:
            assert new.fence == 2
            assert code_of(lambda: opened(address)) == ("cell-taken", False)
            process.send_signal(signal.SIGCONT)
            process.communicate(timeout=20)
            assert process.returncode == 0, "it was not killed, it only lost the cell"
            assert code_of(lambda: opened(address)) == ("cell-taken", False)
            new.lease.renew()
    finally:
        process.kill()
        process.communicate()


def test_a_process_that_is_frozen_amid_a_write_to_sqlite_is_killed(sqlite, standby, monkeypatch):
    monkeypatch.setattr(database, "BUSY_MS_MAX", 200)
    process = holder(sqlite, "writing")
    process.send_signal(signal.SIGSTOP)
    try:
        with taken_by(standby(sqlite)) as new:
            assert new.fence == 2
        assert process.wait(20) == -signal.SIGKILL
    finally:
        process.kill()
        process.communicate()


def test_what_a_frozen_driver_had_under_way_on_a_server_is_undone(postgres, opened, standby, make):
    old = opened(postgres, lease_s=LEASE_S)
    old.journal.append(make.entries(1, 1))
    old._writer.cursor.execute("BEGIN")
    old._writer.cursor.execute("UPDATE meta SET head_seq = 99")
    with taken_by(standby(postgres)) as new:
        with pytest.raises(Exception, match=r"terminat|closed"):
            old._writer.cursor.execute("COMMIT")
        assert new.journal.recorded().known.seq == 0
        new.journal.append(make.entries(2, 2))


def from_elsewhere(store):
    """Let the lease be held by a process of another machine."""
    store._writer.run(lambda c: c.execute(text("UPDATE lease SET boot = 'another', host = 'far'")))


def test_a_driver_of_another_machine_is_waited_for_even_if_its_lock_is_free(postgres, opened):
    old = opened(postgres, lease_s=LEASE_S)
    from_elsewhere(old)
    old._writer.drop()  # the network is cut; nobody knows whether it still drives
    begun_s = time.monotonic()
    assert opened(postgres).fence == 2
    assert time.monotonic() - begun_s >= LEASE_S
    assert code_of(old.lease.renew) == ("fence-lost", False)


def test_a_fence_can_be_lifted_above_what_machines_have_seen(address, opened):
    assert opened(address, fence_above=57).fence == 58


def renewed(store):
    try:
        store.lease.renew()
    except StoreRefused:
        return False
    return True


def test_the_lease_outlives_a_restart_of_the_server(postgres_server, postgres, opened):
    store = opened(postgres, lease_s=LEASE_S)
    postgres_server.stop()
    assert code_of(store.lease.renew) == ("lease-refused", True)
    postgres_server.start()
    assert any(renewed(store) for _ in range(10)), "connections of before are found out one by one"
    before = store.driver().beat
    store.lease.renew()
    assert store.driver().beat == before + 1


def test_a_database_of_before_leases_can_be_driven(sqlite, opened):
    """Schema 0002 had no lease: its lock alone tells, and the migration makes a lease that nobody holds."""
    store = opened(sqlite)
    store._writer.run(lambda c: c.exec_driver_sql("DROP TABLE lease"))
    store._writer.run(lambda c: c.exec_driver_sql("DROP TABLE suspicion"))
    store._writer.run(
        lambda c: c.exec_driver_sql("UPDATE alembic_version SET version_num = '0002'")
    )
    store.close()
    again = opened(sqlite)
    assert again.fence == 2
    with again._reader.asking() as connection:
        assert seen_in(connection).fence == 2
