"""What the interface says of a cell."""

import csv
import html
from datetime import datetime

import pytest
from pypdfium2 import PdfDocument

from supervisor.core.events import HoldReleased
from supervisor.report.account import accounts
from supervisor.report.figures import figures
from supervisor.store.records import RecordFilter


async def get(cell, address, **parameters):
    answer = await cell.client.get(address, params=parameters)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_the_cell_says_what_it_does_and_up_to_which_entry(connected):
    cell = await get(connected, "/api/v1/cell")
    assert cell["seq"] == connected.store.journal.head().seq
    assert cell["step"] == "running"
    assert cell["want"] == "run"
    assert cell["counts"]["stations_connected"] == cell["counts"]["stations"] == 3
    assert cell["counts"]["pallets"] == len(connected.state().pallets)
    assert [jaw["jaw"] for jaw in cell["handler"]["jaws"]] == ["jaw-1", "jaw-2"]


async def test_after_a_restart_nothing_is_taken_for_connected(cell):
    stations = await get(cell, "/api/v1/stations")
    assert {station["link"] for station in stations} == {"down"}
    assert {station["door"] for station in stations} == {"unknown"}


async def test_a_station_shows_its_run_with_the_declared_times(connected):
    running = [s for s in await get(connected, "/api/v1/stations") if s["run"]]
    assert running, "the past ends with a run under way"
    for station in running:
        run = connected.state().stations[station["station"]].run
        program = next(p for p in connected.past.cell.programs if p.program == run.program)
        assert station["run"]["serial"] == run.serial
        begun, free = station["run"]["started_at"], station["run"]["part_free_expected_at"]
        assert seconds_between(begun, free) == pytest.approx(program.part_free_ms / 1000)


async def test_a_station_that_is_not_connected_says_what_its_goals_wait_for(cell):
    hold = await cell.hold("scan-1")
    await cell.disconnect("scan-1")
    await cell.tell(HoldReleased(hold=hold, answer="clear", by="test", place=""))
    waits = (await get(cell, "/api/v1/stations/scan-1"))["waits"]
    until = {wait["what"]: wait["until"] for wait in waits}
    assert until["fault of scan-1 cleared"] == ["the station is connected"]


async def test_one_station_is_the_same_as_in_the_list(connected):
    listed = await get(connected, "/api/v1/stations")
    single = await get(connected, f"/api/v1/stations/{listed[0]['station']}")
    for moving in ("run", "usage"):
        listed[0].pop(moving)
        single.pop(moving)
    assert single == listed[0]


async def test_every_pallet_says_why_it_is_where_it_is(connected):
    pallets = await get(connected, "/api/v1/pallets")
    assert [p["pallet"] for p in pallets] == sorted(connected.state().pallets)
    assert all(p["why_here"] for p in pallets)
    measured = [p for p in pallets if p["why_here"].startswith("is measured at")]
    assert {p["place"] for p in measured} <= {"scan-1", "touch-1", "ct-1"}
    assert measured


async def test_a_pallet_lists_open_characteristics_and_results_by_name(connected):
    pallets = await get(connected, "/api/v1/pallets")
    with_results = next(p for p in pallets if p["results"])
    plan = next(
        t.plan for t in connected.past.cell.part_types if t.part_type == with_results["part_type"]
    )
    names = {c.number: c.name for c in plan}
    for line in [*with_results["open"], *with_results["results"]]:
        assert line["name"] == names[line["number"]]


async def test_a_paused_cell_is_the_reason_that_a_pallet_waits(connected):
    order = {"mode": "pause", "by": "test"}
    await connected.client.post(
        "/api/v1/cell/mode", json=order, headers={"Idempotency-Key": "pause"}
    )
    reasons = [p["why_here"] for p in await get(connected, "/api/v1/pallets")]
    assert "waits because the cell is paused" in reasons


async def test_places_show_what_stands_there(connected):
    places = {p["place"]: p for p in await get(connected, "/api/v1/places")}
    state = connected.state()
    assert {name: p["pallet"] for name, p in places.items()} == {
        name: place.pallet for name, place in state.places.items()
    }
    assert places["out-ok-1"]["sorting"] == "conforming"
    assert places["rack-01"]["kind"] == "rack"


# --- records ------------------------------------------------------------------------------------------------------------


async def test_the_record_of_a_part_names_the_deciding_station_of_each_characteristic(cell):
    serial = cell.past.serials[0]
    record = await get(cell, f"/api/v1/parts/{serial}")
    kept = cell.store.records.latest(serial)
    assert record["verdict"] == kept.record.verdict
    assert record["seq"] == kept.seq
    shown = {f["number"]: f["decided_by"]["station"] for f in record["findings"] if f["decided_by"]}
    assert shown == {f.number: f.decided_by.station for f in kept.record.findings if f.decided_by}


async def test_the_sheet_of_a_part_bears_the_hash_of_its_journal_entry(cell):
    serial = cell.past.serials[0]
    answer = await cell.client.get(f"/api/v1/parts/{serial}/sheet")
    assert answer.headers["content-type"] == "application/pdf"
    assert serial in answer.headers["content-disposition"]
    document = PdfDocument(answer.content)
    words = "".join(page.get_textpage().get_text_bounded() for page in document)
    kept = cell.store.records.latest(serial)
    assert cell.store.journal.hash_at(kept.seq).hex() in "".join(words.split())
    assert (await cell.client.get("/api/v1/parts/none/sheet")).status_code == 404


async def test_the_page_of_a_part_tells_what_its_sheet_tells_and_the_hash_of_its_entry(cell, past):
    kept = max(
        (cell.store.records.latest(serial) for serial in past.serials),
        key=lambda each: sum(len(f.monitored_by) for f in each.record.findings),
    )
    page = html.unescape((await cell.client.get(f"/parts/{kept.record.serial}")).text)
    assert cell.store.journal.hash_at(kept.seq).hex() in page
    told = accounts(kept.record)
    assert {each.title for each in told} >= {"What other stations measured", "Runs"}
    for each in told:
        assert f"<h2>{each.title}</h2>" in page
        assert [line for line in each.lines if f"<li>{line}</li>" not in page] == []
    for finding in kept.record.findings:
        assert f">{figures(finding).value}</td>" in page


async def test_a_part_leaves_as_qif_with_the_hash_of_its_journal_entry(cell):
    serial = cell.past.serials[0]
    answer = await cell.client.get(f"/api/v1/parts/{serial}/qif")
    assert answer.headers["content-type"] == "application/xml"
    record = (await cell.client.get(f"/api/v1/parts/{serial}")).json()
    assert cell.store.journal.hash_at(record["seq"]).hex() in answer.text
    assert f"<SerialNumber>{serial}</SerialNumber>" in answer.text


async def test_a_record_is_found_by_its_entry_and_no_other_is_given_for_it(cell):
    serial = cell.past.serials[0]
    record = (await cell.client.get(f"/api/v1/parts/{serial}")).json()
    address = f"/api/v1/parts/{serial}"
    again = await cell.client.get(address, params={"entry": record["seq"]})
    assert again.json() == record
    assert (await cell.client.get(address, params={"entry": 1})).status_code == 404


async def test_records_leave_as_a_table_with_every_characteristic(cell):
    answer = await cell.client.get("/api/v1/records/table")
    assert answer.headers["content-type"].startswith("text/csv")
    lines = list(csv.DictReader(answer.text.splitlines()))
    kept = [cell.store.records.latest(serial) for serial in cell.past.serials]
    expected = {(k.record.serial, f.number) for k in kept if k for f in k.record.findings}
    assert {(line["serial"], line["number"]) for line in lines} == expected
    none = await cell.client.get("/api/v1/records/table", params={"batch": "no such batch"})
    assert len(none.text.splitlines()) == 1


async def test_limits_keep_their_digits(cell):
    serial = cell.past.serials[0]
    record = await get(cell, f"/api/v1/parts/{serial}")
    kept = cell.store.records.latest(serial)
    for shown, finding in zip(record["findings"], kept.record.findings, strict=True):
        for bound in ("lower", "upper", "accept_lower", "accept_upper"):
            limit = getattr(finding, bound)
            assert (limit is None) == (shown[bound] is None)
            if limit is not None:
                assert float(str(limit)) == shown[bound]


async def test_records_come_in_pages_that_leave_out_nothing(cell):
    expected = [
        (r.record.serial, r.record.part_type)
        for r in cell.store.records.page(RecordFilter(), limit=500).records
    ]
    found, after = [], ""
    while True:
        page = await get(cell, "/api/v1/records", limit=2, after=after)
        found += [(r["serial"], r["part_type"]) for r in page["records"]]
        after = page["next"]
        if not after:
            break
    assert found == expected
    assert len(found) > 2


async def test_records_are_filtered_by_part_type_verdict_and_time(cell):
    everything = (await get(cell, "/api/v1/records", limit=500))["records"]
    some = everything[len(everything) // 2]
    by_type = (await get(cell, "/api/v1/records", part_type=some["part_type"]))["records"]
    assert by_type == [r for r in everything if r["part_type"] == some["part_type"]]
    by_verdict = (await get(cell, "/api/v1/records", verdict=some["verdict"]))["records"]
    assert by_verdict == [r for r in everything if r["verdict"] == some["verdict"]]
    since = (await get(cell, "/api/v1/records", decided_from=some["decided_at"]))["records"]
    assert since == [r for r in everything if r["decided_at"] >= some["decided_at"]]
    before = (await get(cell, "/api/v1/records", decided_to=some["decided_at"]))["records"]
    assert before == [r for r in everything if r["decided_at"] < some["decided_at"]]


# --- journal and decisions ------------------------------------------------------------------------------------------------


async def test_the_journal_is_read_from_a_number_on(cell):
    page = await get(cell, "/api/v1/journal", **{"from": 3}, limit=2)
    assert [e["seq"] for e in page["entries"]] == [3, 4]
    assert page["next"] == 5
    first = next(cell.store.journal.read(3))
    assert page["entries"][0]["fact"]["kind"] == type(first.event).__name__


async def test_every_entry_can_be_shown(cell):
    seen, position = 0, 1
    while position:
        page = await get(cell, "/api/v1/journal", **{"from": position}, limit=500)
        seen += len(page["entries"])
        position = page["next"]
    assert seen == cell.store.journal.head().seq


async def test_the_head_covers_the_whole_journal(cell):
    head = await get(cell, "/api/v1/journal/head")
    kept = cell.store.journal.head()
    assert (head["seq"], head["digest"]) == (kept.seq, kept.digest)


async def test_decisions_carry_their_reason(connected):
    decisions = (await get(connected, "/api/v1/decisions"))["decisions"]
    assert decisions, "the machines connected again, so routing has chosen"
    assert all(d["why"] for d in decisions)
    assert [d["seq"] for d in decisions] == sorted((d["seq"] for d in decisions), reverse=True)


async def test_health_is_green_while_the_step_runs(cell):
    assert (await get(cell, "/healthz"))["step"] == "running"


def seconds_between(earlier: str, later: str) -> float:
    return (datetime.fromisoformat(later) - datetime.fromisoformat(earlier)).total_seconds()
