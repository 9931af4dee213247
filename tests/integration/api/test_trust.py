"""What people see and answer where a station may not be believed: calibrations that have ended, checks that failed."""

import csv
import io
import json
import zipfile

import pypdfium2
import pytest

from supervisor.cell.canonical import with_digest
from supervisor.cell.value import replace
from supervisor.core.events import HoldReleased, MessagesDelivered, RecordAmended
from tests.integration.api.test_outgoing import a_receiver, listening, telling, until
from tests.unit.core.reference_cell import rule, world_of


@pytest.fixture
def uncalibrated(past):
    """A cell at its first start, at 1970-01-01, a day after the calibration of touch-1 has ended."""
    stations = tuple(
        replace(
            each,
            calibration="K-118",
            calibration_due="1969-12-30",
            calibration_overdue="stops",
            calibration_warn_days=30,
        )
        if each.station == "touch-1"
        else each
        for each in past.cell.stations
    )
    cell = with_digest(replace(past.cell, stations=stations))
    return replace(past, cell=cell, entries=())


async def test_a_calibration_that_has_ended_is_shown_and_asked_about(
    start_on, uncalibrated, tmp_path
):
    async with start_on(tmp_path, uncalibrated) as cell:
        (hold,) = (await cell.client.get("/api/v1/holds")).json()
        assert (hold["code"], hold["subject"]) == ("calibration-overdue", "touch-1")
        assert hold["reasoned"] == ["measure on"]

        shown = (await cell.client.get("/api/v1/stations/touch-1")).json()["calibration"]
        assert (shown["certificate"], shown["due"], shown["standing"], shown["stops"]) == (
            "K-118",
            "1969-12-30",
            "overdue",
            True,
        )
        assert shown["days_left"] < 0
        page = (await cell.client.get("/")).text
        assert "calibration K-118 ended on 1969-12-30" in page
        assert f'data-why="{hold["hold"]}-why"' in page


async def test_an_answer_that_needs_a_reason_is_refused_without_one(
    start_on, uncalibrated, tmp_path
):
    async with start_on(tmp_path, uncalibrated) as cell:
        (hold,) = cell.state().holds
        address = f"/api/v1/holds/{hold}/release"
        body = {"answer": "measure on", "by": "M. Weaver"}

        bare = await cell.client.post(address, json=body, headers={"Idempotency-Key": "k-1"})
        assert (bare.status_code, bare.json()["type"]) == (
            422,
            "urn:pointsman:problem:reason-missing",
        )
        assert list(cell.state().holds) == [hold]

        told = {**body, "why": " reference ring was good "}
        given = await cell.client.post(address, json=told, headers={"Idempotency-Key": "k-2"})
        assert given.status_code == 200, given.text
        entry = next(cell.store.journal.read(given.json()["seq"]))
        assert entry.event == HoldReleased(
            hold=hold, answer="measure on", by="M. Weaver", place="", why="reference ring was good"
        )
        assert cell.state().holds == {}
        extended = (await cell.client.get("/api/v1/stations/touch-1")).json()["calibration"]
        assert extended["extended_until"] is not None


# --- a failed check ---------------------------------------------------------------------------------------------------------------


@pytest.fixture
def outside():
    with listening() as made:
        yield made


@pytest.fixture(scope="module")
def failed(past):
    """Nine parts; touch-1 drifts on "2" after 16 minutes, and a check finds it. Then six hours go by."""
    world = world_of(parts=9)
    world.run(world.now_ms + 16 * 60_000)
    world.tell(MessagesDelivered(receiver="mes", seq=len(world.journal.entries)))
    world.models.stations["touch-1"].drift_to("2", 0.006)
    world.run(world.now_ms + 6 * 3_600_000)
    assert [hold.code for hold in world.state.holds.values()] == ["reference-failed"]
    return past_of(past, world)


def past_of(past, world):
    """What a world has lived through, as a past that a cell can be started on."""
    started = replace(world.journal.entries[0].event, declaration=with_digest(world.cell).digest)
    first = replace(world.journal.entries[0], event=started)
    return replace(
        past,
        cell=with_digest(world.cell),
        entries=(first, *world.journal.entries[1:]),
        state=world.state,
        serials=tuple(world.records),
    )


async def test_a_failed_check_is_shown_with_what_it_casts_doubt_on(start_on, failed, tmp_path):
    async with start_on(tmp_path, failed) as cell:
        (suspicion,) = (await cell.client.get("/api/v1/suspicions")).json()
        assert (suspicion["station"], suspicion["program"]) == ("touch-1", "master@touch-1")
        assert {each["number"] for each in suspicion["about"]} == {"2"}
        assert suspicion["after"] < suspicion["until"]

        station = (await cell.client.get("/api/v1/stations/touch-1")).json()
        (suspended,), (check,) = station["suspensions"], station["checks"]
        assert (suspended["cause"], suspended["good_since"]) == ("failed", "no")
        assert [point["outcome"] for point in check["trend"]][-1] == "missed"
        assert check["last_good_at"] == suspicion["after"]
        page = (await cell.client.get("/")).text
        assert "does not decide 3 characteristics: touch-1 missed master 7" in page
        newest = {point["number"]: point for point in check["trend"]}
        assert f"characteristic 2: En {newest['2']['en']:.2f}, missed" in page
        assert page.count('<svg class="trend"') == len(newest) == 2
        assert "waits at home for its next check" in page


async def test_records_since_are_marked_and_stay_as_they_were_kept(start_on, failed, tmp_path):
    async with start_on(tmp_path, failed) as cell:
        answer = await cell.client.get("/api/v1/records?suspect=yes")
        lines = answer.json()["records"]
        assert lines, "a part had left before the check failed"
        assert {tuple(line["suspect"]) for line in lines} == {("2",)}
        every = (await cell.client.get("/api/v1/records?limit=500")).json()["records"]
        marked = {line["serial"] for line in every if line["suspect"]}
        assert marked == {line["serial"] for line in lines}
        assert marked < {line["serial"] for line in every}

        serial, part_type = lines[0]["serial"], lines[0]["part_type"]
        address = f"/api/v1/parts/{serial}?part_type={part_type}"
        record = (await cell.client.get(address)).json()
        (suspect,) = record["suspect"]
        assert (suspect["number"], suspect["station"]) == ("2", "touch-1")
        kept = next(r for r in failed.serials if r.serial == serial)
        assert record["verdict"] == kept.verdict, "the record is the one that was kept"
        page = (await cell.client.get(f"/parts/{serial}?part_type={part_type}")).text
        assert "Suspect: 2 by touch-1" in page
        sheet = await cell.client.get(f"/api/v1/parts/{serial}/sheet?part_type={part_type}")
        assert sheet.status_code == 200
        assert "Suspect since the record was made" in text_of(sheet.content)


async def test_what_leaves_the_cell_says_what_is_suspect(start_on, failed, tmp_path):
    async with start_on(tmp_path, failed) as cell:
        every = (await cell.client.get("/api/v1/records?limit=500")).json()["records"]
        marked = {line["serial"] for line in every if line["suspect"]}
        assert marked

        table = lines_of((await cell.client.get("/api/v1/records/table")).text)
        doubted = {(line["serial"], line["number"]) for line in table if line["suspect"]}
        assert doubted == {(serial, "2") for serial in marked}
        kept = {(r.serial, r.part_type): r for r in failed.serials if r.part_type != "master"}
        for line in (each for each in table if each["suspect"]):
            findings = kept[line["serial"], line["part_type"]].findings
            assert line["verdict"] == next(f.verdict for f in findings if f.number == "2")

        groups = (await cell.client.get("/api/v1/records/summary")).json()["groups"]
        assert sum(group["suspect"] for group in groups) == len(marked)
        assert {serial for group in groups for serial in group["suspect_parts"]} == marked
        counts = {each["number"]: each["suspect"] for g in groups for each in g["characteristics"]}
        assert {number for number, count in counts.items() if count} == {"2"}
        sheet = text_of((await cell.client.get("/api/v1/records/summary/sheet")).content)
        assert "that a failed check has cast doubt on since" in sheet

        (serial, *_), line = sorted(marked), next(n for n in every if n["serial"] in marked)
        form = (await cell.client.get(f"/api/v1/parts/{serial}/first-article")).json()
        (two,) = [each for each in form["lines"] if each["number"] == "2"]
        assert (two["conforms"], two["comment"].startswith("suspect: touch-1")) == (
            "not proven",
            True,
        )
        page = (await cell.client.get(f"/parts/{serial}?part_type={line['part_type']}")).text
        assert page.count("<b>▲ suspect</b>") == 1


async def test_an_archive_says_what_is_suspect_and_keeps_the_records_as_they_were(
    start_on, failed, tmp_path
):
    async with start_on(tmp_path, failed) as cell:
        every = (await cell.client.get("/api/v1/records?limit=500")).json()["records"]
        marked = {line["serial"] for line in every if line["suspect"]}
        answer = await cell.client.get("/api/v1/records/archive")
        with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
            told = json.loads(archive.read("suspicions.json"))
            assert told == (await cell.client.get("/api/v1/suspicions")).json()
            index = lines_of(archive.read("index.csv").decode())
            assert {line["serial"] for line in index if line["suspect"] == "2"} == marked
            table = lines_of(archive.read("records.csv").decode())
            assert {line["serial"] for line in table if line["suspect"]} == marked
            for line in index:
                name = line["file"].removesuffix(".json")
                found = cell.store.records.revisions(line["serial"], part_type=line["part_type"])
                (known,) = [each for each in found if str(each.seq) == line["journal_entry"]]
                assert archive.read(line["file"]).decode() == known.body
                in_doubt = line["serial"] in marked
                assert (b'name="suspect"' in archive.read(f"{name}.qif")) == in_doubt
                pdf = text_of(archive.read(f"{name}.pdf"))
                assert ("SUSPECT" in pdf) == in_doubt


async def test_a_receiver_is_told_what_a_failed_check_casts_doubt_on(
    start_on, failed, outside, tmp_path
):
    async with start_on(tmp_path, failed) as cell, telling(cell, a_receiver(outside)):
        (suspicion,) = (await cell.client.get("/api/v1/suspicions")).json()
        lines = (await cell.client.get("/api/v1/records?suspect=yes")).json()["records"]
        kept = cell.store.records.latest(lines[0]["serial"], part_type=lines[0]["part_type"])
        again = replace(kept.record, revision=kept.record.revision + 1)
        await cell.tell(RecordAmended(by="a test", why="", changes=(), record=again))

        def bodies():
            return [json.loads(body) for _, _, body in outside.taken]

        await until(lambda: bodies() and bodies()[-1]["data"].get("revision") == again.revision)
        marks = [each for each in bodies() if each["type"] == "values.suspect"]
        assert [each["data"] for each in marks] == [suspicion]
        at = bodies().index(marks[0])
        assert [each["type"] for each in bodies()[:at]] == ["record.kept"] * at
        assert not any(each["data"]["suspect"] for each in bodies()[:at]), "not yet when kept"
        assert bodies()[-1]["data"]["suspect"] == ["2"], "a later revision rests on it, too"
        names = outside.names()
        assert names[at].endswith(f"-{suspicion['seq']}-suspect")
        assert len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("about", "kinds"),
    [
        (("verdicts",), {"record.kept", "values.suspect"}),
        (("checks",), {"check.kept"}),
        (("advice", "checks"), {"check.kept"}),
    ],
)
async def test_a_reference_part_is_told_as_a_check_and_to_whoever_asks_for_checks(
    start_on, failed, outside, tmp_path, about, kinds
):
    async with start_on(tmp_path, failed) as cell, telling(cell, a_receiver(outside, about)):
        lines = (await cell.client.get("/api/v1/records?limit=500")).json()["records"]
        cursor = next(e.event.seq for e in failed.entries if isinstance(e.event, MessagesDelivered))
        wanted = {
            (line["serial"], line["part_type"], line["seq"])
            for line in lines
            if line["seq"] > cursor and (line["part_type"] == "master") == ("checks" in about)
        }
        assert wanted

        def told():
            bodies = [json.loads(body) for _, _, body in outside.taken]
            records = [each["data"] for each in bodies if each["type"].endswith(".kept")]
            return {(r["serial"], r["part_type"], r["seq"]) for r in records}

        await until(lambda: told() >= wanted)
        assert told() == wanted
        assert {json.loads(body)["type"] for _, _, body in outside.taken} <= kinds


# --- a station that moves ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def moved(past):
    """Hourly checks; after thirteen of them touch-1 moves by two standard uncertainties on "2", which checks still find."""
    world = world_of(parts=0, check=rule(every_runs=0, every_ms=3_600_000), seed=1)
    world.run(world.now_ms + 13 * 3_600_000)
    world.models.stations["touch-1"].drift_to("2", 0.0015)
    world.run(world.now_ms + 10 * 3_600_000)
    return past_of(past, world)


async def test_a_station_that_moves_is_shown_and_asked_about(start_on, moved, tmp_path):
    async with start_on(tmp_path, moved) as cell:
        (hold,) = (await cell.client.get("/api/v1/holds")).json()
        assert (hold["code"], hold["reasoned"]) == ("reference-trend", ["accept"])
        station = (await cell.client.get("/api/v1/stations/touch-1")).json()
        assert station["suspensions"] == []
        (check,) = station["checks"]
        one, two = check["levels"]
        assert (one["number"], one["standing"], one["since"]) == ("1", "steady", None)
        assert (two["number"], two["standing"], two["limit"]) == ("2", "moves", 1.0)
        assert two["since"] in {point["at"] for point in check["trend"]}
        newest = [point for point in check["trend"] if point["number"] == "2"][-1]
        assert newest["level"] == two["level"]
        page = (await cell.client.get("/")).text
        assert f"moves against master: {two['why']}" in page.replace("&#43;", "+")


def lines_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def text_of(pdf: bytes) -> str:
    with pypdfium2.PdfDocument(pdf) as document:
        return "\n".join(page.get_textpage().get_text_range() for page in document)
