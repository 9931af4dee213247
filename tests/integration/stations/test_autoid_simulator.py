"""The simulated tag reader in the dialect of AutoID, driven by the shipped profile alone."""

from pathlib import Path

import pytest

from simulators.models import physics as physics_file
from simulators.models.tag import encode_tag
from simulators.servers.floor_file import FloorFile
from supervisor.core.commands import ReadTag
from supervisor.core.events import PlacesObserved, TagRead
from supervisor.stations.reader import ReaderAdapter

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

PHYSICS = Path(__file__).parents[2] / "unit/simulators/physics.json"
PLACES = ("rack-01", "rack-02", "rack-03", "out-ok-1")


@pytest.fixture
async def reader(open_dialects, watch, shipped, wiring):
    """The adapter once the person has brought the first three pallets."""
    url = open_dialects.urls["rack"]
    watcher = watch(ReaderAdapter("rack", url, shipped("autoid"), places=PLACES, wiring=wiring))
    await watcher.until(lambda: presence(watcher) == ["occupied"] * 3 + ["empty"], 20)
    return watcher


def presence(watcher):
    return [word for _, word in watcher.last(PlacesObserved).presence or ()]


async def read(watcher, place):
    order = len(watcher.of(TagRead)) + 1
    watcher.adapter.give(ReadTag(order=order, reader="rack", place=place))
    await watcher.until(lambda: len(watcher.of(TagRead)) == order)
    return watcher.last(TagRead)


def written(floor, place):
    """What the simulated tag at a place says, made anew from the physics file."""
    physics = physics_file.load(PHYSICS)
    member = FloorFile(floor, physics, member="onlooker")
    pallet = physics.pallet[member.pallet_at(place)]
    member.close()
    return encode_tag(
        pallet=pallet.pallet,
        gtin=physics.part_type[pallet.part_type].gtin,
        serial=pallet.serial,
        batch=pallet.batch,
        produced=pallet.produced,
    ).hex()


async def test_every_tag_in_the_rack_is_found_and_its_memory_read(reader, open_dialects):
    for place in PLACES[:3]:
        answer = await read(reader, place)
        assert (answer.place, answer.status) == (place, "read")
        assert answer.payload == written(open_dialects.folder / "floor", place)
    assert reader.adapter.report().without == ()


async def test_a_place_without_a_pallet_has_no_tag_and_one_without_a_device_fails(reader):
    empty, nowhere = await read(reader, "out-ok-1"), await read(reader, "nowhere")
    assert (empty.status, empty.payload) == ("no tag", "")
    assert (nowhere.status, nowhere.why) == ("failed", "nothing reads tags at nowhere")


async def test_several_tags_and_a_failed_reading_are_told_apart_and_the_next_reading_is_good(
    reader, open_dialects
):
    for word in ("several tags", "failed", "no tag"):
        open_dialects.switch("rack", "NextRead", word)
        answer = await read(reader, "rack-01")
        assert (answer.status, answer.payload) == (word, "")
        assert (await read(reader, "rack-01")).status == "read"


async def test_a_reader_of_bad_quality_knows_of_no_place_what_stands_there(reader, open_dialects):
    open_dialects.switch("rack", "BadQuality", True)
    await reader.until(lambda: presence(reader) == ["unknown"] * 4)
    open_dialects.switch("rack", "BadQuality", False)
    await reader.until(lambda: presence(reader) == ["occupied"] * 3 + ["empty"])
