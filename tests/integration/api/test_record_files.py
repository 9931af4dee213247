"""Records leave as summary, first-article form, archive; what a station measured and a part's way are found with their entries."""

import csv
import hashlib
import io
import json
import zipfile

import pypdfium2

from supervisor.core.commands import StartRun
from supervisor.core.events import ResultArrived, TagRead


async def got(cell, address, **question):
    answer = await cell.client.get(f"/api/v1/{address}", params=question)
    assert answer.status_code == 200, answer.text
    return answer


def records(cell):
    return [cell.store.records.latest(serial).record for serial in cell.past.serials]


async def test_a_summary_counts_what_the_records_say(cell):
    groups = (await got(cell, "records/summary")).json()["groups"]
    assert sum(group["parts"] for group in groups) == len(cell.past.serials)
    of_type = {group["part_type"]: group for group in groups}
    for record in records(cell):
        group = of_type[record.part_type]
        assert (record.serial in group["not_proven_to_conform"]) == (record.verdict != "conforming")
    first = groups[0]["characteristics"][0]
    values = [
        f.decided_by.value
        for r in records(cell)
        if r.part_type == groups[0]["part_type"]
        for f in r.findings
        if f.number == first["number"] and f.decided_by
    ]
    assert (first["values"], first["smallest"], first["largest"]) == (
        len(values),
        min(values),
        max(values),
    )


async def test_a_summary_is_of_what_was_asked_for(cell):
    record = records(cell)[0]
    groups = (await got(cell, "records/summary", batch=record.batch)).json()["groups"]
    assert {batch for group in groups for batch in group["batches"]} == {record.batch}
    assert (await got(cell, "records/summary", batch="none such")).json() == {"groups": []}


async def test_a_summary_leaves_as_table_and_as_sheet(cell):
    lines = list(csv.DictReader(io.StringIO((await got(cell, "records/summary/table")).text)))
    groups = (await got(cell, "records/summary")).json()["groups"]
    assert len(lines) == sum(1 + len(group["characteristics"]) for group in groups)
    sheet = await got(cell, "records/summary/sheet")
    pages = pypdfium2.PdfDocument(sheet.content)
    words = " ".join(" ".join(p.get_textpage().get_text_bounded() for p in pages).split())
    for group in groups:
        assert f"{group['verdicts']['conforming']} of {group['parts']} conform" in words


async def test_a_first_article_form_has_a_line_for_each_characteristic(cell):
    record = records(cell)[0]
    form = (await got(cell, f"parts/{record.serial}/first-article")).json()
    assert [line["number"] for line in form["lines"]] == [f.number for f in record.findings]
    assert form["part_name"] not in ("", record.part_type)
    for line, finding in zip(form["lines"], record.findings, strict=True):
        proven = {"conforming": "yes", "nonconforming": "no"}.get(finding.verdict, "not proven")
        assert line["conforms"] == proven
    table = (await got(cell, f"parts/{record.serial}/first-article/table")).text
    lines = list(csv.DictReader(io.StringIO(table)))
    assert [line["9 results"] for line in lines] == [line["result"] for line in form["lines"]]


async def test_forms_1_and_2_have_what_the_record_knows_and_leave_the_rest_to_people(cell):
    record = records(cell)[0]
    address = f"parts/{record.serial}"
    shown = (await got(cell, address)).json()
    for by, meaning in (("R. Miller", "review"), ("A. Carter", "approval")):
        seen = {"revision": shown["revision"], "record_sha256": shown["sha256"]}
        body = {"by": by, "meaning": meaning, **seen}
        signed = await cell.client.post(
            f"/api/v1/{address}/signatures", json=body, headers={"Idempotency-Key": f"sign {by}"}
        )
        assert signed.status_code == 200, signed.text

    form = (await got(cell, f"{address}/first-article")).json()

    one = {field["name"]: field["content"] for field in form["form_1"]}
    assert (one["part number"], one["serial number"]) == (record.part_type, record.serial)
    assert one["drawing revision level"] == record.plan_revision
    assert (one["reviewed by"], one["approved by"]) == ("R. Miller", "A. Carter")
    assert one["review date"].endswith("UTC")
    for name in ("signature", "purchase order number", "full or partial, baseline and reason"):
        assert one[name] == "", "nobody told the cell"
    two = {field["name"]: field["content"] for field in form["form_2"]}
    assert {name for name, content in two.items() if content} == {
        "part number",
        "part name",
        "serial number",
    }
    for number, fields in (("1", form["form_1"]), ("2", form["form_2"])):
        table = (await got(cell, f"{address}/first-article/table", form=number)).text
        (line,) = csv.DictReader(io.StringIO(table))
        assert list(line) == [f"{each['number']} {each['name']}" for each in fields]
        assert list(line.values()) == [each["content"] for each in fields]


async def test_an_archive_holds_every_record_and_its_checksums_are_right(cell):
    answer = await got(cell, "records/archive")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        names = archive.namelist()
        assert len(names) == len(set(names))
        manifest = archive.read("MANIFEST.sha256").decode()
        listed = dict(reversed(line.split("  ", 1)) for line in manifest.splitlines())
        assert set(listed) == set(names) - {"MANIFEST.sha256"}
        for name, digest in listed.items():
            assert hashlib.sha256(archive.read(name)).hexdigest() == digest
        index = list(csv.DictReader(io.StringIO(archive.read("index.csv").decode())))
        head = json.loads(archive.read("head.json"))
        for line in index:
            kept = cell.store.records.latest(line["serial"])
            assert archive.read(line["file"]).decode() == kept.body
            assert listed[line["file"]] == line["record_sha256"] == kept.sha256
            entry_hash = cell.store.journal.hash_at(int(line["journal_entry"])).hex()
            assert entry_hash == line["journal_entry_sha256"]
            assert int(line["journal_entry"]) <= head["seq"]
    assert {line["serial"] for line in index} == set(cell.past.serials)


async def test_everything_that_a_station_measured_is_found_page_by_page(cell):
    expected = sorted(
        (by.measured_ms, record.serial, finding.number, by.value, by is finding.decided_by)
        for record in records(cell)
        for finding in record.findings
        for by in (finding.decided_by, *finding.monitored_by)
        if by is not None and by.station == "touch-1"
    )
    assert expected
    question = {
        "station": "touch-1",
        "measured_from": "2025-11-01T00:00:00Z",
        "measured_to": "2025-12-01T00:00:00Z",
        "limit": 7,
    }
    found, after = [], ""
    while True:
        page = (await got(cell, "records/measured", **question, after=after)).json()
        found += page["values"]
        after = page["next"]
        if not after:
            break
    seen = [(v["serial"], v["number"], v["value"], v["role"] == "decided") for v in found]
    assert sorted(seen) == sorted(each[1:] for each in expected)
    assert [v["measured_at"] for v in found] == sorted(v["measured_at"] for v in found)
    last = found[-1]["measured_at"]
    before = (
        await got(cell, "records/measured", **{**question, "measured_to": last, "limit": 500})
    ).json()
    assert all(v["measured_at"] < last for v in before["values"])


async def test_a_question_about_a_station_needs_two_times(cell):
    answer = await cell.client.get("/api/v1/records/measured", params={"station": "touch-1"})
    assert answer.status_code == 422
    assert {f["field"] for f in answer.json()["fields"]} >= {"query.measured_from"}


async def test_a_part_is_followed_from_its_tag_to_its_record_by_journal_entries(cell):
    record = records(cell)[0]
    way = (await got(cell, f"parts/{record.serial}/genealogy")).json()
    whats = [step["what"] for step in way["steps"]]
    assert whats[0] == "tag read"
    assert whats.count("record") == 1
    assert way["steps"][-1]["seq"] == way["record_seq"]
    assert [step["seq"] for step in way["steps"]] == sorted(step["seq"] for step in way["steps"])
    entries = {entry.seq: entry for entry in cell.store.journal.read(1)}
    runs = {by.run_id for f in record.findings for by in (f.decided_by, *f.monitored_by) if by}
    results = [step for step in way["steps"] if step["what"] == "result"]
    assert runs <= {step["run_id"] for step in results}
    for step in way["steps"]:
        entry = entries[step["seq"]]
        match step["what"]:
            case "tag read":
                assert isinstance(entry.event, TagRead)
            case "result":
                assert isinstance(entry.event, ResultArrived)
                assert entry.event.result_id == step["result_id"]
            case "run started":
                (start,) = [c for c in entry.commands if isinstance(c, StartRun)]
                assert (start.run_id, start.serial) == (step["run_id"], record.serial)
            case "record":
                assert step["seq"] == cell.store.records.latest(record.serial).seq
    page = (await cell.client.get(f"/parts/{record.serial}/way")).text
    assert all(step["run_id"] in page for step in results)
    assert (await cell.client.get("/parts/none/way")).status_code == 404
