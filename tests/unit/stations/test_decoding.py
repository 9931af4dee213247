"""From readings to words: every table of a facet, and what is not good."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.profile_language import Facet, PresenceWord, WorkWord
from supervisor.stations.decode import facet_decoder, name_decoder, name_of, number_decoder
from supervisor.stations.reading import UNREAD, Reading
from supervisor.stations.trouble import LinkLost


def good(value):
    return Reading(value, "good", 1, 0.0)


def work(**table):
    facet = Facet[WorkWord].model_validate({"node": "n", **table})
    return facet_decoder(facet, {"n": 0}, {"n": {"Idle": 3, "Run": 7}}, "unknown")


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
    assert facet_decoder(facet, {}, {}, "unknown")([]) == "empty"


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
    [("R7", "R7"), (7, "7"), (0, ""), ("", ""), (None, ""), (4294967295, "4294967295")],
)
def test_a_run_or_program_may_be_a_text_or_a_number(content, name):
    assert name_of(content) == name
    assert name_decoder("n", {"n": 0})([good(content)]) == name


def test_a_name_that_cannot_be_read_is_empty_or_what_the_caller_takes_for_it():
    assert name_decoder("n", {"n": 0})([UNREAD]) == ""
    assert name_decoder("n", {"n": 0}, unreadable="unknown")([UNREAD]) == "unknown"
    assert name_decoder(None, {})([]) == ""


def test_a_counter_that_cannot_be_read_is_none_at_all():
    counter = number_decoder("n", {"n": 0}, unreadable=-1)
    assert counter([good(12)]) == 12
    assert counter([Reading(12, "uncertain", 1, 0.0)]) == -1
    assert number_decoder(None, {}, unreadable=-1)([]) == -1


@pytest.mark.hazard(20)
def test_the_age_of_a_reading_is_told_by_our_own_clock():
    assert Reading(1, "good", 0, 10.0).age_s(12.5) == 2.5
