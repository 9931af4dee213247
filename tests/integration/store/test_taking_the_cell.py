"""One supervisor drives a cell at a time."""

import signal
import subprocess
import sys

import psycopg
import pytest

from supervisor.store import StoreError, StoreRefused

pytestmark = pytest.mark.integration

HOLDER = """
import sys
from supervisor.store import open_store
store = open_store(sys.argv[1])
print(store.fence, flush=True)
sys.stdin.read()
"""


@pytest.mark.hazard(19)
def test_a_second_supervisor_is_refused_at_once_and_told_why(address, opened):
    opened(address)
    with pytest.raises(StoreError, match="One supervisor drives a cell at a time") as caught:
        opened(address)
    assert caught.value.code == "cell-taken"


def test_the_fence_grows_with_every_taking(address, opened):
    fences = []
    for _ in range(3):
        store = opened(address)
        fences.append(store.fence)
        store.close()
    assert fences == [1, 2, 3]


def test_a_killed_supervisor_holds_nothing(address, opened):
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, address], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdout.readline() == b"1\n"
    with pytest.raises(StoreError) as caught:
        opened(address)
    assert caught.value.code == "cell-taken"
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    # The server needs a moment to see that its client is gone.
    assert opened_soon(opened, address).fence == 2


def opened_soon(opened, address):
    for _ in range(100):
        try:
            return opened(address)
        except StoreError as error:
            if error.code != "cell-taken":
                raise
    raise AssertionError("the cell was not given free")


def test_a_refused_second_supervisor_leaves_the_first_one_in_peace(address, opened, make):
    store = opened(address)
    with pytest.raises(StoreError):
        opened(address)
    store.journal.append(make.entries(1, 3))
    assert store.verify().fault is None


def cut_off(address, store):
    """End the server's side of the writer's connection, as a network that dies does."""
    process = store._writer.cursor.execute("SELECT pg_backend_pid()").fetchone()[0]
    with psycopg.connect(address, autocommit=True) as other:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", (process,))


def test_a_connection_that_was_cut_is_made_anew_and_the_cell_taken_again(postgres, opened, make):
    store = opened(postgres)
    store.journal.append(make.entries(1, 2))
    cut_off(postgres, store)
    with pytest.raises(StoreRefused):
        store.journal.append(make.entries(3, 4))
    store.journal.append(make.entries(3, 4))
    assert [entry.seq for entry in store.journal.read(1)] == [1, 2, 3, 4]


@pytest.mark.hazard(19)
def test_a_supervisor_that_lost_the_cell_meanwhile_can_write_nothing(postgres, opened, make):
    old = opened(postgres)
    old.journal.append(make.entries(1, 2))
    cut_off(postgres, old)
    new = opened(postgres)
    new.journal.append(make.entries(3, 3))
    refused = []
    for _ in range(2):
        with pytest.raises(StoreRefused) as caught:
            old.journal.append(make.entries(3, 3))
        refused.append(caught.value.code)
    assert refused == ["journal-refused", "cell-taken"]
    new.close()
    with pytest.raises(StoreError) as caught:
        old.journal.append(make.entries(3, 3))
    assert caught.value.code == "fence-lost"
    assert not isinstance(caught.value, StoreRefused)


def test_a_server_that_restarts_costs_nothing(postgres_server, postgres, opened, make):
    store = opened(postgres)
    store.journal.append(make.entries(1, 2))
    postgres_server.stop()
    with pytest.raises(StoreRefused, match="did not take a write"):
        store.journal.append(make.entries(3, 3))
    with pytest.raises(StoreRefused):
        store.journal.append(make.entries(3, 3))
    postgres_server.start()
    assert store.journal.append(make.entries(3, 3)).seq == 3
    assert store.verify().entries == 3


def test_an_address_that_leads_nowhere_is_said(opened, tmp_path, postgres_server):
    with pytest.raises(StoreError, match="folder exists") as caught:
        opened(str(tmp_path / "missing" / "cell.db"))
    assert caught.value.code == "database-unreachable"
    with pytest.raises(StoreError, match="the server runs") as caught:
        opened(f"postgresql://cell@127.0.0.1:{postgres_server.port}/missing")
    assert caught.value.code == "database-unreachable"
