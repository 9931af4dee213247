"""The shipped profile of AutoID against tag readers on another stack, with the official nodeset."""

import pytest

from supervisor.core.commands import ReadTag
from supervisor.core.events import PlacesObserved, TagRead
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.reader import ReaderAdapter
from tests.peers.steps import SECURED

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

WIRING = Wiring(options=LinkOptions(interval_ms=20))
PLACES = ("slot-1", "slot-2", "slot-3")
ONE = {"uid": "e00401508a1b2c3d", "memory": "0102030405060708ff"}
OTHER = {"uid": "e00401500000beef", "memory": "a0a1a2a3"}


@pytest.fixture
def server(peer):
    readers = peer("reader_station.js")
    yield readers
    readers.thaw()
    readers.switch("tags", {})
    readers.switch("emptySuccess", False)


@pytest.fixture
async def readers(server, watch, shipped):
    watcher = watch(
        ReaderAdapter("rack", server.url, shipped("autoid"), places=PLACES, wiring=WIRING)
    )
    await watcher.until(lambda: watcher.last(PlacesObserved).link == "up", 20)
    return watcher


def presence(watcher):
    return [word for _, word in watcher.last(PlacesObserved).presence]


async def read(watcher, place, order=1):
    before = len(watcher.of(TagRead))
    watcher.adapter.give(ReadTag(order=order, reader="rack", place=place))
    await watcher.until(lambda: len(watcher.of(TagRead)) > before)
    return watcher.last(TagRead)


async def test_presence_is_how_many_tags_are_in_the_field(readers, server):
    server.switch("tags", {"slot-1": [ONE], "slot-2": [ONE, OTHER]})
    await readers.until(lambda: presence(readers) == ["occupied", "unknown", "empty"])


async def test_a_tag_is_found_and_its_memory_read_by_what_was_found(readers, server):
    server.switch("tags", {"slot-1": [ONE], "slot-2": [OTHER]})
    first, second = await read(readers, "slot-1"), await read(readers, "slot-2", 2)
    assert (first.status, first.payload, first.place) == ("read", ONE["memory"], "slot-1")
    assert (second.status, second.payload) == ("read", OTHER["memory"])


@pytest.mark.parametrize(("policy", "user"), SECURED)
async def test_a_tag_is_read_over_an_encrypted_connection(
    policy, user, server, watch, shipped, encrypted
):
    wiring = encrypted(server, policy, user)
    adapter = ReaderAdapter("rack", server.url, shipped("autoid"), places=PLACES, wiring=wiring)
    readers = watch(adapter)
    await readers.until(lambda: readers.last(PlacesObserved).link == "up", 20)
    server.switch("tags", {"slot-1": [ONE]})
    await readers.until(lambda: presence(readers)[0] == "occupied")
    found = await read(readers, "slot-1")
    assert (found.status, found.payload) == ("read", ONE["memory"])
    assert f"({policy})" in adapter.report().security


@pytest.mark.parametrize("answer", ["a status of its own", "success without a tag"])
async def test_no_tag_and_several_are_told_apart_and_none_is_chosen(readers, server, answer):
    server.switch("emptySuccess", answer == "success without a tag")
    server.switch("tags", {"slot-2": [ONE, OTHER]})
    empty, several = await read(readers, "slot-1"), await read(readers, "slot-2", 2)
    assert (empty.status, empty.payload) == ("no tag", "")
    assert (several.status, several.payload) == ("several tags", "")


async def test_a_reader_without_a_method_for_memory_gives_what_it_finds_and_that_is_said(
    readers, server
):
    server.switch("tags", {"slot-3": [ONE]})
    found = await read(readers, "slot-3")
    assert (found.status, found.payload) == ("read", ONE["memory"])
    assert [node for node, _ in readers.adapter.report().without] == ["read_memory@slot-3"]


async def test_a_place_without_a_reader_fails_and_says_so(readers):
    answer = await read(readers, "slot-9")
    assert (answer.status, answer.why) == ("failed", "nothing reads tags at slot-9")


async def test_a_frozen_server_is_noticed_and_used_again(readers, server):
    server.freeze()
    await readers.until(lambda: readers.last(PlacesObserved).link == "down", 6.0)
    server.thaw()
    await readers.until(lambda: readers.last(PlacesObserved).link == "up", 10)
    server.switch("tags", {"slot-1": [ONE]})
    await readers.until(lambda: presence(readers)[0] == "occupied")


async def test_a_place_that_the_server_does_not_have_keeps_the_link_down_and_is_named(
    server, watch, shipped
):
    places = (*PLACES, "slot-4")
    watcher = watch(
        ReaderAdapter("rack", server.url, shipped("autoid"), places=places, wiring=WIRING)
    )
    await watcher.until(lambda: "site:slot-4" in watcher.adapter.report().why, 20)


async def test_browsing_them_proposes_a_profile_that_reads_and_names_the_places(server, proposed, watch):  # fmt: skip
    found, text, mine = await proposed(server)
    assert [(fit.profile, fit.why) for fit in found.fits] == [("autoid", "")]
    assert (mine.extends, mine.root) == ("autoid", "di:DeviceSet")
    assert "# Readers were found for the places slot-1, slot-2, slot-3." in text
    readers = watch(ReaderAdapter("rack", server.url, mine, places=PLACES, wiring=WIRING))
    await readers.until(lambda: readers.last(PlacesObserved).link == "up", 20)
    server.switch("tags", {"slot-1": [ONE]})
    found = await read(readers, "slot-1")
    assert (found.status, found.payload) == ("read", ONE["memory"])
