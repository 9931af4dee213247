"""From readings to words: every table of a facet, and what is not good."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.profile_language import DoorWord, Echo, Facet, PresenceWord, WorkWord
from supervisor.stations.decode import Places, facet_decoder, name_decoder, name_of, number_decoder
from supervisor.stations.pick import UNREADABLE
from supervisor.stations.reading import UNREAD, Reading
from supervisor.stations.steady import Heart, Settled
from supervisor.stations.trouble import LinkLost, ResultUnreadable


def good(value):
    return Reading(value, "good", 1, 0.0)


def places(**more):
    return Places(**{"positions": {"n": 0, "m": 1}, "members": {}, "structures": {}} | more)


NODE = Echo(node="n")


def work(**table):
    facet = Facet[WorkWord].model_validate({"node": "n", **table})
    return facet_decoder(facet, places(members={"n": {"Idle": 3, "Run": 7}}), "unknown")


@pytest.mark.parametrize(
    ("table", "value", "word"),
    [
        ({"codes": {0: "idle", 4: "finished"}}, 4, "finished"),
        ({"codes": {0: "idle", 4: "finished"}}, 5, "unknown"),
        ({"codes": {0: "idle"}, "otherwise": "running"}, 5, "running"),
        ({"texts": {"RUN": "running"}}, "RUN", "running"),
        ({"texts": {"RUN": "running"}}, "run", "unknown"),
        ({"texts": {"1": "running"}}, "1", "running"),
        ({"truth": {True: "running", False: "idle"}}, True, "running"),
        ({"truth": {True: "running", False: "idle"}}, False, "idle"),
        ({"names": {"Idle": "idle", "Run": "running"}}, 7, "running"),
        ({"names": {"Idle": "idle", "Run": "running"}}, 0, "unknown"),
        ({"bits": [{"bit": 8, "word": "aborted"}, {"bit": 6, "word": "running"}], "otherwise": "idle"}, 0x140, "aborted"),
        ({"bits": [{"bit": 8, "word": "aborted"}, {"bit": 6, "word": "running"}], "otherwise": "idle"}, 0x40, "running"),
        ({"bits": [{"bit": 8, "word": "aborted"}], "otherwise": "idle"}, 0xFEFF, "idle"),
        ({"bits": [{"bit": 15, "word": "aborted"}], "otherwise": "idle"}, -32768, "aborted"),
        ({"codes": {0: "idle"}}, None, "unknown"),
        ({"bits": [{"bit": 0, "word": "idle"}], "otherwise": "idle"}, None, "unknown"),
    ],
)  # fmt: skip
def test_a_value_becomes_the_word_of_its_table(table, value, word):
    assert work(**table)([good(value)]) == word


@pytest.mark.parametrize("quality", ["uncertain", "bad"])
@pytest.mark.parametrize(
    "table",
    [
        {"codes": {0: "idle"}, "otherwise": "idle"},
        {"texts": {"a": "idle"}, "otherwise": "idle"},
        {"truth": {True: "idle", False: "idle"}},
        {"names": {"Idle": "idle"}, "otherwise": "idle"},
        {"bits": [{"bit": 0, "word": "idle"}], "otherwise": "idle"},
    ],
)
def test_a_value_that_is_not_good_is_never_interpreted(table, quality):
    assert work(**table)([Reading(0, quality, 1, 0.0)]) == "unknown"
    assert work(**table)([UNREAD]) == "unknown"


def test_a_station_without_a_facet_always_says_so():
    facet = Facet[PresenceWord].model_validate({"always": "empty"})
    assert facet_decoder(facet, places(), "unknown")([]) == "empty"


def test_a_member_that_the_stations_enumeration_lacks_is_named():
    with pytest.raises(LinkLost, match=r"expected the member Stop .* found Idle, Run"):
        work(names={"Stop": "idle"})


@given(st.integers(min_value=0, max_value=0xFFFF))
def test_of_several_set_bits_the_first_entry_wins(word):
    entries = [
        {"bit": bit, "word": name}
        for bit, name in ((8, "aborted"), (7, "finished"), (6, "running"))
    ]
    expected = next((entry["word"] for entry in entries if word >> entry["bit"] & 1), "idle")
    assert work(bits=entries, otherwise="idle")([good(word)]) == expected


@pytest.mark.parametrize(
    ("content", "name"),
    [
        ("R7", "R7"),
        (7, "7"),
        (0, ""),
        ("", ""),
        (None, ""),
        (4294967295, "4294967295"),
        ("R\udcff7", "R\ufffd7"),
    ],
)
def test_a_run_or_program_may_be_a_text_or_a_number(content, name):
    assert name_of(content) == name
    assert name_decoder(NODE, places())([good(content)]) == name


def test_a_name_that_cannot_be_read_is_empty_or_what_the_caller_takes_for_it():
    assert name_decoder(NODE, places())([UNREAD]) == ""
    assert name_decoder(NODE, places(), unreadable="unknown")([UNREAD]) == "unknown"
    assert name_decoder(None, places())([]) == ""


def test_a_counter_that_cannot_be_read_is_none_at_all():
    counter = number_decoder(NODE, places(), unreadable=-1)
    assert counter([good(12)]) == 12
    assert counter([Reading(12, "uncertain", 1, 0.0)]) == -1
    assert number_decoder(None, places(), unreadable=-1)([]) == -1


@pytest.mark.hazard(20)
def test_the_age_of_a_reading_is_told_by_our_own_clock():
    assert Reading(1, "good", 0, 10.0).age_s(12.5) == 2.5


# --- parts of values ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pick", "table", "value", "word"),
    [
        ({"bit": 3}, {"truth": {True: "running", False: "idle"}}, 0b1000, "running"),
        ({"bit": 3}, {"truth": {True: "running", False: "idle"}}, 0b0111, "idle"),
        ({"bit": 15}, {"truth": {True: "running", False: "idle"}}, -32768, "running"),
        ({"bit": 4, "width": 2}, {"codes": {0: "idle", 2: "running"}}, 0b101111, "running"),
        ({"bit": 4, "width": 2}, {"codes": {0: "idle", 3: "running"}}, 0b101111, "unknown"),
        ({"entry": 1}, {"codes": {4: "running"}}, [3, 4], "running"),
        ({"entry": -1}, {"codes": {4: "running"}}, [3, 4], "running"),
        ({"entry": 2}, {"codes": {4: "running"}, "otherwise": "idle"}, [3, 4], "unknown"),
        ({"entry": 2}, {"codes": {4: "running"}, "missing": "idle"}, [3, 4], "idle"),
        ({"entry": 0}, {"codes": {4: "running"}, "missing": "idle"}, [], "idle"),
        ({"entry": 1}, {"codes": {7: "running"}}, bytes([1, 7]), "running"),
        ({"entry": 1, "bit": 0}, {"truth": {True: "running"}}, [0, 1], "running"),
        ({"split": ";", "entry": 1}, {"texts": {"RUN": "running"}}, "AUTO; RUN ;OPEN", "running"),
        ({"split": ";", "entry": 5}, {"texts": {"RUN": "running"}}, "AUTO;RUN", "unknown"),
        ({"split": ";", "entry": 0}, {"texts": {"": "idle"}}, None, "unknown"),
        ({"bit": 0}, {"truth": {True: "running"}}, True, "unknown"),
    ],
)
def test_the_part_that_is_meant_becomes_a_word(pick, table, value, word):
    assert work(pick=pick, **table)([good(value)]) == word


def test_a_field_of_a_structure_becomes_a_word_and_a_field_that_the_station_lacks_is_named():
    def decoder(pick, table):
        facet = Facet[WorkWord].model_validate({"node": "n", "pick": pick, "codes": table})
        return facet_decoder(facet, places(structures={"n": Fields()}), "unknown")

    assert (
        decoder({"field": "Axis.State"}, {3: "running"})([good({"Axis": {"State": 3}})])
        == "running"
    )
    assert decoder({"field": "0.Axis"}, {3: "running"})([good([{"Axis": 3}])]) == "running"
    assert decoder({"field": "1.Axis"}, {3: "running"})([good([{"Axis": 3}])]) == "unknown"
    assert decoder({"field": "Axis"}, {3: "running"})([good(broken)]) == "unknown"
    with pytest.raises(
        LinkLost, match="expected the field Axle in the station's structure, found Axis"
    ):
        decoder({"field": "Axle"}, {3: "running"})


broken = object()


class Fields:
    """A structure that has been taken apart already."""

    fields = ("Axis",)

    def rows(self, content):
        return content

    def row(self, content):
        if content is broken:
            raise ResultUnreadable("not what its type says")
        return content


# --- several nodes --------------------------------------------------------------------------------------------------------

DOOR = {
    "switches": [{"node": "n", "word": "open"}, {"node": "m", "on": False, "word": "closed"}],
    "otherwise": "moving",
}


@pytest.mark.parametrize(
    ("first", "second", "word"),
    [
        (good(True), good(True), "open"),
        (good(False), good(False), "closed"),
        (good(False), good(True), "moving"),
        (good(True), good(False), "unknown"),
        (good(None), good(True), "unknown"),
        (Reading(True, "uncertain", 1, 0.0), good(True), "unknown"),
        (good(True), Reading(True, "bad", 1, 0.0), "unknown"),
    ],
)
@pytest.mark.hazard(21)
def test_two_switches_must_agree_and_both_be_readable(first, second, word):
    decode = facet_decoder(Facet[DoorWord].model_validate(DOOR), places(), "unknown")
    assert decode([first, second]) == word


CASES = {
    "cases": [
        {"when": [{"node": "n", "is": [3]}], "word": "aborted"},
        {"when": [{"node": "n", "is": [4]}, {"node": "m", "is": [7, 8]}], "word": "running"},
        {"when": [{"node": "n", "is": [4]}, {"node": "m", "is": [6]}], "word": "prepared"},
    ],
    "otherwise": "idle",
}


@pytest.mark.parametrize(
    ("first", "second", "word"),
    [
        (good(3), UNREAD, "aborted"),
        (good(4), good(8), "running"),
        (good(4), good(6), "prepared"),
        (good(4), good(5), "idle"),
        (good(1), UNREAD, "idle"),
        (good(4), UNREAD, "unknown"),
        (UNREAD, good(7), "unknown"),
        (good(True), good(7), "idle"),
    ],
)
def test_the_first_case_whose_conditions_hold_wins_and_an_inner_state_is_asked_only_inside_the_outer_one(
    first, second, word
):
    """A state machine inside a state that is not active has a bad CurrentState."""
    decode = facet_decoder(Facet[WorkWord].model_validate(CASES), places(), "unknown")
    assert decode([first, second]) == word


def test_states_are_compared_by_node_id_and_members_of_an_enumeration_by_number():
    numbered = places(node_ids=frozenset({"n"}), node_id=lambda text: f"id of {text}")
    facet = Facet[WorkWord].model_validate({"node": "n", "states": {"s;i=5": "running"}})
    assert facet_decoder(facet, numbered, "unknown")([good("id of s;i=5")]) == "running"
    condition = {"when": [{"node": "n", "is": ["s;i=5"]}], "word": "running"}
    facet = Facet[WorkWord].model_validate({"cases": [condition]})
    assert facet_decoder(facet, numbered, "unknown")([good("id of s;i=5")]) == "running"
    condition = {"when": [{"node": "n", "is": ["Run"]}], "word": "running"}
    facet = Facet[WorkWord].model_validate({"cases": [condition]})
    named = places(members={"n": {"Idle": 3, "Run": 7}})
    assert facet_decoder(facet, named, "unknown")([good(7)]) == "running"
    facet = Facet[WorkWord].model_validate(
        {"cases": [{"when": [{"node": "n", "is": ["Ran"]}], "word": "idle"}]}
    )
    with pytest.raises(LinkLost, match="expected the member Ran"):
        facet_decoder(facet, named, "unknown")


# --- time -----------------------------------------------------------------------------------------------------------------


@pytest.mark.hazard(20)
def test_a_value_that_was_not_renewed_in_time_is_unknown():
    facet = Facet[WorkWord].model_validate({"node": "n", "codes": {1: "idle"}, "age_s_max": 2})
    now = [101.0]
    decode = facet_decoder(facet, places(now_s=lambda: now[0]), "unknown")
    image = [Reading(1, "good", 1, 100.0)]
    assert decode(image) == "idle"
    now[0] = 102.1
    assert decode(image) == "unknown"


def test_a_word_holds_only_after_it_has_stood_and_is_left_at_once():
    door = Settled(0.2, "unknown")
    shown = [
        ("open", 1.0),
        ("open", 1.1),
        ("open", 1.25),
        ("moving", 1.27),
        ("open", 1.3),
        ("open", 1.6),
    ]
    assert [door.word(word, now_s) for word, now_s in shown] == [
        "unknown", "unknown", "open", "unknown", "unknown", "open",
    ]  # fmt: skip


def test_a_heart_beats_from_its_first_change_on_until_it_stands_still_for_too_long():
    heart = Heart(2.0)
    seen = [(0, 1.0), (0, 2.0), (1, 3.0), (1, 4.9), (1, 5.1), (UNREADABLE, 5.2), (2, 6.0)]
    assert [heart.beats(value, now_s) for value, now_s in seen] == [
        False, False, True, True, False, False, True,
    ]  # fmt: skip
