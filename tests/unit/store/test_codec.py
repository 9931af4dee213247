"""Every event and every command as text and back."""

from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core.commands import Command, Goal, SetDoor, StoreRecord
from supervisor.core.events import Event, ResultArrived, TimerFired
from supervisor.shell.ports import SCHEMA, JournalEntry
from supervisor.store import StoreError
from supervisor.store.codec import (
    COMMANDS,
    EVENTS,
    decode_entry,
    decode_record,
    encode_body,
    encode_record,
)
from supervisor.store.upcast import lifted
from supervisor.verdict.record import Record
from supervisor.verdict.result import MeasuredValue

pytestmark = pytest.mark.property

TIMER = TimerFired(timer="door")


def entry(event, *commands):
    return JournalEntry(seq=1, at_ms=2, schema=SCHEMA, event=event, commands=commands)


def there_and_back(original):
    body = encode_body(original)
    kind = type(original.event).__name__
    return decode_entry(original.seq, original.at_ms, original.schema, kind, body)


def test_the_tables_hold_exactly_the_closed_unions():
    assert set(EVENTS.values()) == set(get_args(Event))
    goals = set(get_args(Goal))
    others = {cls for cls in get_args(Command) if cls is not Goal}
    assert set(COMMANDS.values()) == goals | others


@pytest.mark.parametrize("kind", sorted(EVENTS))
@settings(max_examples=100)
@given(data=st.data())
def test_every_event_comes_back_equal(kind, data):
    original = entry(data.draw(st.from_type(EVENTS[kind])))
    assert there_and_back(original) == original


@pytest.mark.parametrize("kind", sorted(set(COMMANDS) - {"StoreRecord"}))
@settings(max_examples=100)
@given(data=st.data())
def test_every_command_comes_back_equal(kind, data):
    original = entry(TIMER, data.draw(st.from_type(COMMANDS[kind])))
    assert there_and_back(original) == original


@settings(max_examples=25)  # a drawn record is large and slow to draw
@given(record=st.from_type(Record))
def test_every_record_comes_back_equal_down_to_the_written_form_of_its_limits(record):
    text = encode_record(record)
    assert decode_record(text) == record
    assert encode_record(decode_record(text)) == text


@settings(max_examples=10)
@given(record=st.from_type(Record))
def test_the_command_that_keeps_a_record_comes_back_equal(record):
    original = entry(TIMER, StoreRecord(record=record))
    assert there_and_back(original) == original


def test_the_text_of_an_entry_is_as_documented():
    written = encode_body(entry(TIMER, SetDoor(order=7, station="scan-1", door="open")))
    assert written == (
        '{"event":["TimerFired",{"timer":"door"}],'
        '"commands":[["SetDoor",{"order":7,"station":"scan-1","door":"open"}]]}'
    )


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_a_number_without_a_text_is_refused_not_written_as_null(number):
    measured = MeasuredValue(number="12", value=number, unit="mm", quality="good")
    arrived = ResultArrived(
        station="scan-1",
        source_ms=0,
        boot="",
        result_id="",
        run_id="",
        serial="",
        counter=0,
        scope="final",
        values=(measured,),
    )
    with pytest.raises(StoreError, match=r"scan-1 gave .* for characteristic 12") as caught:
        encode_body(entry(arrived))
    assert caught.value.code == "value-not-finite"


UNREADABLE = {
    "no such kind": ("Novelty", '{"event":["Novelty",{}],"commands":[]}'),
    "another kind than the row says": (
        "TimerFired",
        '{"event":["HoldReleased",{"timer":"door"}],"commands":[]}',
    ),
    "no such command": (
        "TimerFired",
        '{"event":["TimerFired",{"timer":"a"}],"commands":[["Dance",{}]]}',
    ),
    "a field missing": ("TimerFired", '{"event":["TimerFired",{}],"commands":[]}'),
    "a field of another type": ("TimerFired", '{"event":["TimerFired",{"timer":1}],"commands":[]}'),
    "a word that is none of the allowed": (
        "CellOrdered",
        '{"event":["CellOrdered",{"want":"dance","by":"x"}],"commands":[]}',
    ),
    "something besides": (
        "TimerFired",
        '{"event":["TimerFired",{"timer":"a"}],"commands":[],"more":1}',
    ),
    "no JSON": ("TimerFired", "{"),
}


@pytest.mark.parametrize("case", sorted(UNREADABLE))
def test_an_entry_that_is_not_one_of_ours_is_named_with_its_number(case):
    kind, body = UNREADABLE[case]
    with pytest.raises(StoreError, match=f"journal entry 17 \\({kind}\\) cannot be read") as caught:
        decode_entry(17, 0, SCHEMA, kind, body)
    assert caught.value.code == "entry-unreadable"


def test_an_old_entry_is_lifted_step_by_step_when_it_is_read():
    lifts = {
        1: lambda body: {**body, "trail": [1]},
        2: lambda body: {**body, "trail": [*body["trail"], 2]},
    }
    assert lifted(1, '{"a":0}', lifts=lifts, present=3) == '{"a":0,"trail":[1,2]}'
    assert lifted(3, '{"a":0}', lifts=lifts, present=3) == '{"a":0}'


def test_an_entry_of_a_newer_form_is_refused():
    with pytest.raises(StoreError, match="schema 9, this version knows up to 6") as caught:
        decode_entry(1, 0, 9, "TimerFired", "{}")
    assert caught.value.code == "schema-unknown"
