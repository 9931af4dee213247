"""Snapshots that fit, and those that do not."""

from dataclasses import dataclass, field

import pytest

from supervisor.shell.ports import Snapshot
from supervisor.store.database import place_of, writing_engine
from supervisor.store.snapshots import KEPT

pytestmark = pytest.mark.integration


@dataclass
class State:
    opened: int
    timers: dict[str, int] = field(default_factory=dict)


@dataclass
class RicherState:
    opened: int
    closed: int
    timers: dict[str, int] = field(default_factory=dict)


def snapshot(seq):
    return Snapshot(seq=seq, at_ms=seq, declaration="d1", state=State(opened=seq))


@pytest.fixture
def store(address, opened, make):
    store = opened(address)
    store.journal.append(make.entries(1, 9))
    return store


def alter(store, statement):
    engine = writing_engine(place_of(store._writer.place.url.render_as_string(False)), "power-safe")
    with engine.begin() as connection:
        connection.exec_driver_sql(statement)
    engine.dispose()


def test_there_is_none_at_first(store):
    assert store.snapshots(State).latest() is None


def test_the_newest_is_found_again(store):
    snapshots = store.snapshots(State)
    for seq in (3, 7, 5):
        snapshots.keep(snapshot(seq))
    assert snapshots.latest() == snapshot(7)


def test_only_the_newest_stay(store):
    snapshots = store.snapshots(State)
    for seq in range(1, 8):
        snapshots.keep(snapshot(seq))
    with store._reader.asking() as connection:
        kept = connection.exec_driver_sql("SELECT seq FROM snapshot ORDER BY seq").scalars().all()
    assert list(kept) == [5, 6, 7]
    assert len(kept) == KEPT


def test_one_that_was_kept_for_the_same_entry_before_is_replaced(store):
    snapshots = store.snapshots(State)
    snapshots.keep(snapshot(3))
    snapshots.keep(Snapshot(seq=3, at_ms=3, declaration="d1", state=State(opened=99)))
    assert snapshots.latest().state.opened == 99


def test_one_of_another_shape_is_ignored(store):
    store.snapshots(State).keep(snapshot(3))
    assert store.snapshots(RicherState).latest() is None


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE snapshot SET body = replace(body, '7', '8') WHERE seq = 7",
        "UPDATE snapshot SET entry_hash = body_hash WHERE seq = 7",
        "UPDATE snapshot SET shape = 'x' WHERE seq = 7",
    ],
)
def test_one_that_was_changed_or_belongs_to_another_history_gives_way_to_an_older_one(
    store, statement
):
    snapshots = store.snapshots(State)
    snapshots.keep(snapshot(3))
    snapshots.keep(snapshot(7))
    alter(store, statement)
    assert snapshots.latest() == snapshot(3)
