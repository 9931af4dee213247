"""What a campaign must have hit, and what it says when it did not."""

from collections import Counter

import pytest

from simulators.bench import sometimes
from simulators.bench.at_machines import BEFALL
from simulators.bench.attendant import LOOKS
from simulators.bench.faults import KINDS
from supervisor.core.holds import HOLDS

EVERY_ONE = Counter(dict.fromkeys(sometimes.DUE, 1))
EVERY_WAY = Counter(dict.fromkeys(sometimes.DUE_OF_ROUTING, 1))

ASKED_FOR = {
    "station faults": {"station-fault", "station-manual", "station-gated"},
    "door jams": {"door-jam", "door-by-hand"},
    "aborted programs": {"run-aborted", "run-slow", "run-by-hand"},
    "late, doubled, stale, partial or foreign results": {
        "result-late",
        "result-doubled",
        "result-stale",
        "result-partial",
        "result-foreign",
        "result-lost",
    },
    "quality loss": {"value-bad", "result-spoiled", "facets-unknown"},
    "connection loss before, during and after every order": {
        "link-cut-before",
        "link-cut-during",
        "link-cut-after",
        "link-cut",
    },
    "orders and images that go astray": {
        "order-lost",
        "order-late",
        "order-refused",
        "answer-lost",
        "answer-doubled",
        "image-doubled",
        "image-late",
    },
    "station restart": {"station-restart", "reader-restart"},
    "handler drop": {"pallet-dropped", "handler-fails", "handler-stopped", "handler-restart"},
    "tag misread": {
        "tag-misread",
        "tag-garbled",
        "tag-malformed",
        "tag-strange",
        "identity-doubled",
        "tag-answer-lost",
        "tag-answer-doubled",
        "tag-answer-late",
    },
    "pallet taken or put by hand": {"pallet-taken", "pallet-put", "pallets-exchanged"},
    "clock jump": {"clock-leap", "clock-back"},
    "supervisor crash at any journal position": {
        "crash",
        "crash-undurable",
        "crash-unsent",
        "crash-half",
        "crash-sent",
    },
    "database refusal": {"journal-refused"},
    "stations that must not be trusted": {"reads-wrong"},
    "another declaration amid a shift": {"redeclared"},
}


def test_every_kind_belongs_to_what_was_asked_for_and_each_of_that_has_a_kind():
    assert set().union(*ASKED_FOR.values()) == KINDS.keys()


def test_the_attendant_has_an_answer_to_every_hold():
    assert LOOKS.keys() == HOLDS.keys()


def test_every_kind_has_steps_that_are_due():
    assert sometimes.STEPS.keys() == KINDS.keys()
    assert all(sometimes.STEPS.values())


def test_every_kind_that_strikes_at_times_of_its_own_can_befall():
    assert {kind for kind, entry in KINDS.items() if entry.per_hour} == BEFALL.keys()


def test_every_order_is_met_by_a_loss_before_during_and_after_it():
    for kind in ("link-cut-before", "link-cut-during", "link-cut-after"):
        assert sometimes.STEPS[kind] == sometimes.ORDERS


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_that_never_hit_fails_a_campaign(kind):
    hits = Counter({(k, step): n for (k, step), n in EVERY_ONE.items() if k != kind})
    assert sometimes.still_due(hits, EVERY_WAY, 99) == []
    assert sometimes.still_due(hits, EVERY_WAY, 100) == [f"{kind} never hit"]


def test_a_step_that_was_never_hit_fails_a_long_campaign():
    hits = EVERY_ONE - Counter({("door-jam", "arm inside"): 1})
    assert sometimes.still_due(hits, EVERY_WAY, 9_999) == []
    assert sometimes.still_due(hits, EVERY_WAY, 10_000) == ["door-jam never hit at 'arm inside'"]
    assert sometimes.still_due(EVERY_ONE, EVERY_WAY, 10_000) == []


def test_an_answer_of_routing_that_never_came_fails_a_long_campaign():
    amid = EVERY_WAY - Counter({("answer", "exchange"): 1, ("crash", "way"): 1})
    assert sometimes.still_due(EVERY_ONE, amid, 9_999) == []
    assert sometimes.still_due(EVERY_ONE, amid, 10_000) == [
        "answer never with 'exchange'",
        "crash never with 'way'",
    ]


def test_the_table_of_routing_shows_each_count_once():
    amid = Counter({each: 1_000 + number for number, each in enumerate(EVERY_WAY)})
    shown = " ".join(sometimes.table_of_routing(amid)).replace("home", " ")
    words = shown.replace("1,", "1").replace(",", " ").split()
    assert [words.count(str(count)) for count in amid.values()] == [1] * len(amid)


def test_the_table_shows_each_hit_once():
    hits = Counter({each: 1_000 + number for number, each in enumerate(sometimes.DUE)})
    shown = " ".join(sometimes.table(hits)).replace(",", "").split()
    assert [shown.count(str(count)) for count in hits.values()] == [1] * len(hits)


def test_the_table_shows_a_step_that_was_missed_as_zero_and_an_impossible_one_as_a_dot():
    hits = EVERY_ONE - Counter({("door-by-hand", "at rest"): 1})
    (line,) = [line for line in sometimes.table(hits) if line.startswith("door-by-hand")]
    assert line.split()[1] == "0"
    assert line.split().count("·") == 1
