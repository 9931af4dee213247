"""Latches, over generated histories: what is latched is what the last happening left, and nothing else."""

from datetime import UTC, datetime

import pytest
from asyncua import ua
from asyncua.server.monitored_item_service import WhereClauseEvaluator
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.profile_language import EventSource
from supervisor.stations.decode import Places
from supervisor.stations.event_types import KnownEvent
from supervisor.stations.latches import Latches, unasked
from supervisor.stations.reading import UNREAD, Reading

pytestmark = pytest.mark.property

NODE = 0  # position of the one level, `busy`
WHEN = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)


def source(field, ends, **more):
    return EventSource.model_validate(
        {
            "type": "Nothing",
            "fields": {field: {"path": "Severity", "type": "UInt16"}},
            "ends": ends,
            "after_outage": {"levels": {field: "busy"}},
            **more,
        }
    )


EVENTS = {
    "begun": source(
        "a", {"orders": ["start"], "events": ["finished"], "nodes": [{"node": "busy", "is": [9]}]}
    ),
    "finished": source(
        "b", {"orders": ["start", "acknowledge"]}, only=[{"node": "b", "is": [1, 3]}]
    ),
    "noted": source("c", "next event"),
}
KINDS = {name: ua.NodeId(number, 2) for number, name in enumerate(EVENTS, start=1)}
PLACES = Places(
    positions={"busy": 0, "a": 1, "b": 2, "c": 3},
    members={},
    structures={},
    latched=frozenset("abc"),
)


def made():
    known = {
        name: KnownEvent(
            name=name,
            type=kind,
            kinds=frozenset({kind, ua.NodeId(kind.Identifier + 100, 2)}),
            paths={field: [ua.QualifiedName("Severity", 0)] for field in EVENTS[name].fields},
        )
        for name, kind in KINDS.items()
    }
    return Latches(EVENTS, known, PLACES, first=1)


def event(name, content, kind):
    """The fields of one event as the one item of all three reports them: type, time, and each field in its slot."""
    slots = [ua.Variant(None) for _ in EVENTS]
    slots[list(EVENTS).index(name)] = ua.Variant(content, ua.VariantType.UInt16)
    return [
        ua.Variant(ua.NodeId(KINDS[name].Identifier + kind, 2), ua.VariantType.NodeId),
        ua.Variant(WHEN, ua.VariantType.DateTime),
        *slots,
    ]


HAPPENINGS = st.lists(
    st.one_of(
        st.tuples(
            st.just("event"),
            st.sampled_from(sorted(EVENTS)),
            st.integers(0, 4),
            st.sampled_from((0, 100)),
        ),
        st.tuples(st.just("order"), st.sampled_from(("prepare", "start", "acknowledge", "abort"))),
        st.tuples(st.just("level"), st.sampled_from((0, 1, 9))),
    ),
    max_size=20,
)


def by_history(happenings):
    """What each latch must hold, found by looking back from the end: the reference."""
    ending = {
        "begun": lambda one: (
            one == ("order", "start")
            or (one[0] == "event" and one[1] == "finished" and one[2] in (1, 3))
            or one == ("level", 9)
        ),
        "finished": lambda one: one in (("order", "start"), ("order", "acknowledge")),
        "noted": lambda _one: False,
    }
    held = {}
    for name in EVENTS:
        held[name] = None
        for at in range(len(happenings) - 1, -1, -1):
            one = happenings[at]
            sets = one[0] == "event" and one[1] == name
            if sets and (name != "finished" or one[2] in (1, 3)):
                level = [h[1] for h in happenings[:at] if h[0] == "level"]
                held[name] = None if name == "begun" and level[-1:] == [9] else one[2]
                break
            if ending[name](one):
                break
    return held


@given(HAPPENINGS)
def test_what_is_latched_is_what_the_last_happening_left(happenings):
    latches, image = made(), [Reading(0, "good", 0, 0.0), *unasked(EVENTS)]
    handle = len(image)

    def put(placed):
        for position, reading in placed:
            image[position] = reading

    put(latches.answered(dict.fromkeys(EVENTS), image, 0.0))
    for one in happenings:
        match one:
            case ("event", name, content, kind):
                put(latches.taken(handle, event(name, content, kind), 1.0))
            case ("order", order):
                put(latches.ended_by_order(order, 1.0))
            case (_, level):
                image[NODE] = Reading(level, "good", 0, 1.0)
        put(latches.ended_by_levels(image, 1.0))
    held = by_history(happenings)
    assert [reading.value for reading in image[1:]] == [held[name] for name in EVENTS]
    assert all(reading.quality == "good" for reading in image)


@given(HAPPENINGS)
def test_the_counts_of_changes_differ_exactly_where_an_answer_would_be_older(happenings):
    latches = made()
    image = [Reading(0, "good", 0, 0.0), *unasked(EVENTS)]
    before = latches.changes()
    touched = set()
    for one in happenings:
        if one[0] == "event":
            placed = latches.taken(len(image), event(*one[1:]), 1.0)
        elif one[0] == "order":
            placed = latches.ended_by_order(one[1], 1.0)
        else:
            continue
        touched |= {list(EVENTS)[position - 1] for position, _ in placed}
    after = latches.changes()
    assert {name for name in EVENTS if before[name] != after[name]} == touched


def test_before_the_world_was_asked_nothing_can_be_read():
    assert unasked(EVENTS) == [UNREAD] * 3


class Told:
    """An event as asyncua's own evaluator of filters sees it."""

    def __init__(self, kind):
        self.EventType = kind


@given(st.integers(1, 12), st.integers(1, 20))
def test_the_filter_lets_through_the_types_and_nothing_else(count, asked):
    """Judged by the evaluator of asyncua's server, which nobody here wrote."""
    kinds = [ua.NodeId(number, 2) for number in range(1, count + 1)]
    known = KnownEvent(
        name="noted", type=kinds[0], kinds=frozenset(kinds), paths={"c": [ua.QualifiedName("S", 0)]}
    )
    latches = Latches({"noted": EVENTS["noted"]}, {"noted": known}, PLACES, first=1)
    (item,) = latches.items({})
    clause = item.RequestedParameters.Filter.WhereClause
    evaluator = WhereClauseEvaluator(None, None, clause)
    through = bool(evaluator.eval(Told(ua.NodeId(asked, 2))))
    assert through == (asked <= count)
    for at, element in enumerate(clause.Elements):  # OPC 10000-4 7.7.1: operands stand behind
        indices = [
            one.Index for one in element.FilterOperands if isinstance(one, ua.ElementOperand)
        ]
        assert all(at < index < len(clause.Elements) for index in indices)
