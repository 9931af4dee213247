"""A line's control asks over REST where to carry a pallet, has a place kept, and says when the pallet stands there."""

import asyncio

import pytest

from simulators.bench.gauge.play import Wanted, with_pallets
from simulators.bench.trial import finish, small_world
from supervisor.cell.value import replace
from supervisor.core.commands import ReadTag
from supervisor.core.events import PlacesObserved, ReservationAsked, ReservationClosed, TagRead
from supervisor.core.state import LINE
from tests.unit.core.test_the_line import MINUTE_MS, Line

KEY = "request_id"


@pytest.fixture(scope="session")
def waiting(past):
    """The example cell, paused, with three pump bodies in the rack."""
    world = with_pallets(
        Wanted(cell=past.cell, program="pump-body-scan", parts=3, loadings=2, repeats=2, seed=11)
    )
    return type(past)(
        cell=past.cell, entries=tuple(world.journal.entries), state=world.state, serials=()
    )


@pytest.fixture
async def proven(connected):
    """A cell whose machines have connected again and whose rack has been read again; the id of a pallet in the rack."""
    payloads = {
        e.event.place: e.event for e in connected.past.entries if isinstance(e.event, TagRead)
    }
    for waiting in sorted(connected.state().outstanding.values(), key=lambda w: w.goal.order):
        goal = waiting.goal
        if isinstance(goal, ReadTag):
            await connected.tell(replace(payloads[goal.place], order=goal.order))
    state = connected.state()
    connected.pallet = max(
        name
        for name, each in state.pallets.items()
        if each.stage == "planned" and each.place in state.places
    )
    return connected


def reserve(name, for_s=60, by="line 2"):
    return {"for_s": for_s, "by": by, KEY: name}


def closed(name, by="line 2"):
    return {"by": by, KEY: name}


async def test_reading_where_a_pallet_goes_keeps_nothing(start_on, waiting, tmp_path):
    async with start_on(tmp_path, waiting) as cell:
        pallet = min(cell.state().pallets)
        before = cell.state()
        answer = await cell.client.get(f"/api/v1/pallets/{pallet}/next")
        assert answer.status_code == 200, answer.text
        said = answer.json()
        assert (said["go"], said["reserved"], said["claimed_until"]) == ("wait", "no", None)
        assert said["why"] == "the cell is paused"
        assert cell.state() == before

        refused = await cell.client.post(
            f"/api/v1/pallets/{pallet}/reservation", json=reserve("r-1")
        )
        assert refused.status_code == 409
        assert refused.json()["type"].endswith("reservation-refused")
        assert refused.json()["detail"] == "the cell is paused"


async def test_a_place_is_kept_told_and_given_up(proven):
    pallet = proven.pallet
    address = f"/api/v1/pallets/{pallet}"
    answer = await proven.client.post(f"{address}/reservation", json=reserve("r-1"))
    assert answer.status_code == 200, answer.text
    kept = answer.json()
    assert kept["claimed_by"] == "line 2"
    assert (kept["go"], kept["reserved"]) == ("station", "yes"), kept["why"]
    assert (await proven.client.get(f"{address}/next")).json()["claimed_until"] == kept[
        "claimed_until"
    ]
    again = await proven.client.post(f"{address}/reservation", json=reserve("r-1"))
    assert again.json() == kept
    assert again.headers["Idempotent-Replayed"] == "true"
    assert kept["put"]["place"] == kept["target"]
    shown = (await proven.client.get(f"{address}/reservation")).status_code
    assert shown == 405

    ended = await proven.client.post(f"{address}/reservation/given-up", json=closed("r-2"))
    assert ended.status_code == 200, ended.text
    assert (ended.json()["how"], ended.json()["by"]) == ("given up", "line 2")
    assert proven.state().reservations == ()
    none = await proven.client.post(f"{address}/reservation/placed", json=closed("r-3"))
    assert none.status_code == 409


@pytest.mark.hazard(47)
async def test_what_one_line_keeps_another_one_is_refused_with_its_name_and_its_time(proven):
    pallet = proven.pallet
    address = f"/api/v1/pallets/{pallet}/reservation"
    kept = (await proven.client.post(address, json=reserve("r-1", for_s=3000))).json()
    before, head = proven.state().reservations, proven.lookout.head().seq

    for way, body in (
        ("", reserve("o-1", for_s=1, by="line 3")),
        ("/placed", closed("o-2", by="line 3")),
        ("/given-up", closed("o-3", by="line 3")),
    ):
        refused = await proven.client.post(address + way, json=body)
        said = refused.json()
        assert (refused.status_code, said["code"]) == (409, 37), refused.text
        until = kept["claimed_until"]
        assert said["detail"].startswith(f"line 2 keeps {pallet} until {until};")
        assert "give it up" in said["fix"]
    assert proven.state().reservations == before
    since = [each.event for each in proven.lookout.entries_after(head)]
    assert not [each for each in since if isinstance(each, ReservationAsked | ReservationClosed)]

    renewed = await proven.client.post(address, json=reserve("r-2", for_s=10, by=" line 2 "))
    assert renewed.status_code == 200, renewed.text
    assert renewed.json()["claimed_until"] < kept["claimed_until"]
    assert (await proven.client.post(f"{address}/given-up", json=closed("r-3"))).status_code == 200
    other = await proven.client.post(address, json=reserve("o-4", by="line 3"))
    assert (other.status_code, other.json()["claimed_by"]) == (200, "line 3")


async def test_of_two_lines_that_ask_at_once_one_is_refused(proven):
    address = f"/api/v1/pallets/{proven.pallet}/reservation"
    answers = await asyncio.gather(
        *(
            proven.client.post(address, json=reserve(f"{name}-1", by=name))
            for name in ("line 2", "line 3")
        )
    )
    (kept,) = proven.state().reservations
    told = {a.status_code: a.json() for a in answers}
    assert sorted(told) == [200, 409]
    assert told[200]["claimed_by"] == kept.by
    assert told[409]["detail"].startswith(f"{kept.by} keeps ")


async def test_a_pallet_is_not_taken_to_stand_where_another_one_does(start_on, past, tmp_path):
    world = small_world(pallets=5)
    line = Line(world)
    line.wait_for(line.asks_for_an_occupied_nest)
    (kept,) = world.state.reservations
    there = world.state.stations[kept.target].pallet
    line_past = type(past)(
        cell=world.cell, entries=tuple(world.journal.entries), state=world.state, serials=()
    )
    async with start_on(tmp_path, line_past) as cell:
        refused = await cell.client.post(
            f"/api/v1/pallets/{kept.pallet}/reservation/placed", json=closed("r-1")
        )
        assert (refused.status_code, refused.json()["code"]) == (409, 36)
        assert refused.json()["detail"].startswith(f"{there} stands at {kept.target};")
        assert [each.pallet for each in cell.state().reservations] == [kept.pallet]


async def test_a_reservation_ends_by_itself(proven):
    pallet = proven.pallet
    answer = await proven.client.post(
        f"/api/v1/pallets/{pallet}/reservation", json=reserve("r-1", for_s=1)
    )
    assert answer.status_code == 200, answer.text
    async with asyncio.timeout(10):
        while proven.state().reservations:
            await proven.lookout.wait_after(proven.lookout.head().seq, 5)
    said = (await proven.client.get(f"/api/v1/pallets/{pallet}/next")).json()
    assert said["claimed_until"] is None


async def test_a_pallet_that_is_on_the_line_is_shown_there(proven):
    pallet = proven.pallet
    address = f"/api/v1/pallets/{pallet}"
    kept = (await proven.client.post(f"{address}/reservation", json=reserve("r-1"))).json()
    assert kept["reserved"] == "yes", kept["why"]
    place = kept["fetch"]["place"]
    assert kept["fetch"] == {"place": place, "may_enter": "yes", "why": ""}
    reader = next(p.reader for p in proven.core.tables.cell.places if p.place == place)
    seen = [
        e.event
        for e in proven.past.entries
        if isinstance(e.event, PlacesObserved) and e.event.reader == reader
    ][-1]
    presence = tuple((at, "empty" if at == place else what) for at, what in seen.presence)
    await proven.tell(
        PlacesObserved(
            reader=reader,
            source_ms=seen.source_ms + 10_000_000,
            boot="2",
            link="up",
            presence=presence,
        )
    )
    said = (await proven.client.get(f"{address}/next")).json()
    assert (said["place"], said["fetch"]) == (LINE, None)
    shown = (await proven.client.get(address)).json()
    assert shown["place"] == LINE
    assert shown["why_here"].startswith(f"is on its way to {kept['target']} by line 2")
    for page in ("/", "/pallets", f"/pallets/{pallet}"):
        assert (await proven.client.get(page)).status_code in (200, 404)


async def test_the_way_of_a_part_tells_where_the_line_put_it(start_on, past, tmp_path):
    world = small_world(pallets=1)
    line = Line(world)
    world.run(world.now_ms + MINUTE_MS, done=lambda _: line.claims_the_only_pallet())
    (pallet,) = world.state.pallets
    places = line.carry_through(pallet)
    finish(world, parts=1)
    line_past = type(past)(
        cell=world.cell, entries=tuple(world.journal.entries), state=world.state, serials=()
    )
    async with start_on(tmp_path, line_past) as cell:
        serial = world.records[-1].serial
        way = (await cell.client.get(f"/api/v1/parts/{serial}/genealogy")).json()
        moved = [(s["where"], s["detail"]) for s in way["steps"] if s["what"] == "moved"]
        stations = [place for place in places if place in world.state.stations]
        by_the_line = [(place, f"put at {place} by line 2") for place in stations]
        assert by_the_line
        assert [each for each in moved if each[1].endswith("by line 2")] == by_the_line


async def test_what_makes_no_sense_is_refused(connected):
    pallet = min(connected.state().pallets)
    for for_s in (0, 3601, "60", None):
        body = {"for_s": for_s, "by": "line 2", KEY: "r-1"}
        answer = await connected.client.post(f"/api/v1/pallets/{pallet}/reservation", json=body)
        assert answer.status_code == 422
        assert answer.json()["fields"][0]["field"] == "body.for_s"
    assert (await connected.client.get("/api/v1/pallets/absent/next")).status_code == 404
    for way in ("reservation", "reservation/placed", "reservation/given-up"):
        body = reserve("r-1") if way == "reservation" else closed("r-1")
        answer = await connected.client.post(f"/api/v1/pallets/absent/{way}", json=body)
        assert answer.status_code == 404
