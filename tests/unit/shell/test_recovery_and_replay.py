"""Folding a journal again: to go on from it, and to compare."""

import subprocess
import sys

from supervisor.core.commands import SetDoor
from supervisor.shell.memory import MemoryJournal, MemorySnapshots
from supervisor.shell.ports import Snapshot
from supervisor.shell.recovery import recover
from supervisor.shell.replay import fingerprint, replay, where_they_differ
from supervisor.shell.step import decide_batch


def journal_of(the, *events):
    journal = MemoryJournal()
    fold = the.fold()
    for event in events:
        seq = journal.head().seq
        batch = decide_batch(fold, [event], after_seq=seq, at_ms=1_000 * seq)
        journal.append(batch.entries)
    return journal, fold


def test_an_empty_journal_recovers_to_nothing_yet(the):
    recovered = recover(lambda _: the.DoorCell(), MemoryJournal(), MemorySnapshots())
    assert not recovered.fold.started()
    assert (recovered.head.seq, recovered.folded, recovered.broken) == (0, 0, ())


def test_recovery_gives_the_state_that_the_live_cell_had(the):
    journal, fold = journal_of(the, the.started(), the.door("closed"), the.door("open"))
    recovered = recover(lambda _: the.DoorCell(), journal, MemorySnapshots())
    assert recovered.fold.state == fold.state
    assert recovered.folded == 3


def test_recovery_folds_only_what_came_after_the_snapshot(the):
    journal, _ = journal_of(the, the.started(), the.door("closed"), the.door("open"))
    snapshots = MemorySnapshots()
    marked = the.DoorCell().initial().__class__(opened=40, outstanding=7)
    snapshots.keep(Snapshot(seq=2, at_ms=1, declaration="d1", state=marked))
    recovered = recover(lambda _: the.DoorCell(), journal, snapshots)
    assert recovered.fold.state.opened == 41
    assert recovered.fold.declaration == "d1"


def test_each_start_folds_on_with_the_declaration_that_it_names(the):
    journal, _ = journal_of(
        the,
        the.started("d1"),
        the.door("closed"),
        the.door("open"),
        the.started("d2"),
        the.door("closed"),
    )
    steps = {"d1": 1, "d2": 100}
    recovered = recover(lambda digest: the.DoorCell(step=steps[digest]), journal, MemorySnapshots())
    assert recovered.fold.state.outstanding == 101


def test_replay_of_what_the_same_core_decided_has_no_difference(the):
    journal, fold = journal_of(the, the.started(), the.door("closed"), the.door("open"))
    report = replay(lambda _: the.DoorCell(), journal.read(1))
    assert (report.entries, report.differences, report.first, report.broken) == (3, 0, None, ())
    assert report.end_fingerprint == fingerprint(fold.state)


def test_replay_names_the_first_difference_with_both_sides(the):
    journal, _ = journal_of(
        the, the.started(), the.door("unknown"), the.door("closed"), the.door("open")
    )
    report = replay(lambda _: the.DoorCell(step=2), journal.read(1))
    assert report.differences == 1
    assert report.first.seq == 3
    assert report.first.event == the.door("closed")
    assert report.first.recorded[0] == SetDoor(order=1, station="scan-1", door="open")
    assert report.first.decided[0] == SetDoor(order=2, station="scan-1", door="open")
    assert where_they_differ(report.first) == ["SetDoor.order: recorded 1, decided now 2"]


def test_replay_stops_where_the_core_raises_and_says_what(the):
    journal, _ = journal_of(the, the.started(), the.raiser, the.door("closed"))
    report = replay(lambda _: the.DoorCell(), journal.read(1))
    assert (report.entries, report.differences) == (2, 1)
    assert report.first.raised == "deciding HoldReleased raised LookupError('h1')"


def test_an_entry_that_broke_an_invariant_is_no_difference_but_named(the):
    journal, _ = journal_of(the, the.started(), the.poison)
    report = replay(lambda _: the.DoorCell(), journal.read(1))
    assert (report.differences, report.broken) == (0, ("the cell was poisoned by somebody",))


FINGERPRINT = """
from supervisor.shell.replay import fingerprint
print(fingerprint({"b": {"y", "x"}, "a": (1, 2.5, None)}))
"""


def test_a_fingerprint_is_the_same_in_every_process():
    def printed(seed):
        return subprocess.run(
            [sys.executable, "-c", FINGERPRINT],
            env={"PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout

    assert printed("1") == printed("2")
    assert printed("1").strip() == fingerprint({"a": [1, 2.5, None], "b": ["x", "y"]})
    assert printed("1").strip() != fingerprint({"a": [1, 2.5, None], "b": ["x", "z"]})
