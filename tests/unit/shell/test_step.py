"""The deciding half of the step: stamp, decide, check."""

import pytest

from supervisor.core.commands import SetDoor, SetTimer
from supervisor.shell.fold import JournalUnled
from supervisor.shell.ports import SCHEMA
from supervisor.shell.step import decide_batch


def test_each_fact_gets_the_next_number_and_the_time_of_its_batch(the):
    batch = decide_batch(the.fold(), [the.started(), the.door("closed")], after_seq=41, at_ms=7)
    assert [(entry.seq, entry.at_ms, entry.schema) for entry in batch.entries] == [
        (42, 7, SCHEMA),
        (43, 7, SCHEMA),
    ]


def test_a_fact_is_decided_on_the_state_that_the_one_before_left(the):
    facts = [the.started(), the.door("closed"), the.door("open")]
    batch = decide_batch(the.fold(), facts, after_seq=0, at_ms=7)
    assert batch.state.opened == 1
    assert [type(command) for command in batch.entries[1].commands] == [SetDoor, SetTimer]


def test_a_broken_invariant_ends_the_batch_and_its_fact_is_journalled_without_commands(the):
    facts = [the.started(), the.door("closed"), the.poison, the.door("open")]
    batch = decide_batch(the.fold(), facts, after_seq=0, at_ms=7)
    assert batch.broken == ("the cell was poisoned by somebody",)
    assert [entry.event for entry in batch.entries] == facts[:3]
    assert batch.entries[2].commands == ()


def test_a_decider_that_raises_is_a_broken_invariant_and_the_state_stays(the):
    batch = decide_batch(
        the.fold(), [the.started(), the.door("closed"), the.raiser], after_seq=0, at_ms=7
    )
    assert batch.broken == ("deciding HoldReleased raised LookupError('h1')",)
    assert batch.state.outstanding == 1
    assert batch.entries[2].event == the.raiser


def test_a_journal_that_does_not_begin_with_a_start_has_no_state(the):
    with pytest.raises(JournalUnled):
        decide_batch(the.fold(), [the.door("closed")], after_seq=0, at_ms=7)
