"""From a data value on the wire to a reading."""

from types import SimpleNamespace

import pytest

from supervisor.stations.opcua import Buffer, ua, written
from supervisor.stations.reading import legible
from supervisor.stations.wire import reading_of


def came(variant):
    return SimpleNamespace(
        Value=variant, StatusCode=None, SourceTimestamp=None, ServerTimestamp=None
    )


def test_a_text_is_good_as_it_is():
    assert reading_of(came(ua.Variant("Prüfling 7 🔧")), 0.0)[:2] == ("Prüfling 7 🔧", "good")


@pytest.mark.parametrize("make", [ua.Variant, lambda text: ua.Variant(ua.LocalizedText(text))])
def test_bytes_that_are_no_utf_8_are_a_bad_reading_that_can_be_journalled(make):
    """Found by fuzzing: the library hands such bytes over as half surrogate pairs, and the journal cannot write those.

    OPC 10000-6, 5.2.2.4: a String is a sequence of UTF-8 characters.
    """
    on_the_wire = ua.ua_binary.variant_to_binary(make("R7")).replace(b"R7", b"R\xff")
    text, quality, *_ = reading_of(came(ua.ua_binary.variant_from_binary(Buffer(on_the_wire))), 0.0)
    assert (text, quality) == ("R\ufffd", "bad")
    assert text.encode() == b"R\xef\xbf\xbd"


@pytest.mark.parametrize("text", ["", "plain", "µm", "🔧", "a\0b"])
def test_what_was_utf_8_stays_as_it_is(text):
    assert legible(text) == text


@pytest.mark.parametrize(
    ("content", "read"),
    [
        (ua.NodeId(5031, 4), "ns=4;i=5031"),  # OPC 10000-6, 5.3.1.10
        (ua.QualifiedName("Door", 2), "2:Door"),  # OPC 10000-6, 5.3.1.14
        (ua.LocalizedText("zu", "de"), "'zu'"),
        ("AUTO", "'AUTO'"),
        (True, "True"),
        (None, "None"),
    ],
)
def test_what_a_station_shows_is_written_as_people_read_it(content, read):
    assert written(content) == read
