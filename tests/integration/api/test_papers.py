"""Amending and signing over the interface: who, why, what; the original stays; nothing is signed unseen."""

import asyncio

import pypdfium2

from supervisor.cell.value import replace
from supervisor.core.events import RecordAmended, RecordSigned

REASON = "tag was written for the batch before"


async def part(cell):
    """A part that has left the cell, as the interface shows it."""
    inside = {pallet.serial for pallet in cell.state().pallets.values()}
    serial = next(each for each in cell.past.serials if each not in inside)
    return (await cell.client.get(f"/api/v1/parts/{serial}")).json()


async def post(cell, record, what, body, key="k-1"):
    address = f"/api/v1/parts/{record['serial']}/{what}"
    return await cell.client.post(address, json=body, headers={"Idempotency-Key": key})


async def amend(cell, record, key="k-1", **changes):
    body = {"revision": record["revision"], "by": "M. Weaver", "why": REASON, **changes}
    return await post(cell, record, "amendments", body, key)


async def sign(cell, record, key="s-1", **changes):
    body = {
        "revision": record["revision"],
        "record_sha256": record["sha256"],
        "by": "R. Miller",
        "meaning": "approval",
        **changes,
    }
    return await post(cell, record, "signatures", body, key)


async def sheet(cell, record, **question):
    answer = await cell.client.get(f"/api/v1/parts/{record['serial']}/sheet", params=question)
    pages = pypdfium2.PdfDocument(answer.content)
    return " ".join(" ".join(p.get_textpage().get_text_bounded() for p in pages).split())


async def test_an_amendment_is_a_later_revision_and_the_original_stays(cell):
    before = await part(cell)
    answer = await amend(cell, before, batch="B-2")
    assert answer.status_code == 200, answer.text
    after = (await cell.client.get(f"/api/v1/parts/{before['serial']}")).json()
    assert (after["revision"], after["batch"]) == (before["revision"] + 1, "B-2")
    assert after["seq"] == answer.json()["seq"]
    original = await cell.client.get(
        f"/api/v1/parts/{before['serial']}", params={"entry": before["seq"]}
    )
    assert original.json() == before
    entry = next(cell.store.journal.read(after["seq"]))
    assert isinstance(entry.event, RecordAmended)
    assert (entry.event.by, entry.event.why) == ("M. Weaver", REASON)
    assert cell.store.verify().fault is None


async def test_a_withdrawn_value_takes_the_verdict_with_it(cell):
    before = await part(cell)
    number = next(f["number"] for f in before["findings"] if f["decided_by"])
    answer = await amend(cell, before, withdraw=[number])
    assert answer.json()["changes"][0]["after"] == "not measured"
    after = (await cell.client.get(f"/api/v1/parts/{before['serial']}")).json()
    finding = next(f for f in after["findings"] if f["number"] == number)
    assert (finding["verdict"], finding["decided_by"]) == ("not measured", None)
    assert after["verdict"] != "conforming"


async def test_who_saw_an_older_revision_amends_and_signs_nothing(cell):
    before = await part(cell)
    await amend(cell, before, batch="B-2")
    for answer in (await amend(cell, before, "k-2", batch="B-3"), await sign(cell, before)):
        assert answer.status_code == 409
        assert answer.json()["code"] == 24


async def test_a_signature_is_bound_to_the_hash_of_what_was_seen(cell):
    record = await part(cell)
    wrong = await sign(cell, record, record_sha256="0" * 64)
    assert wrong.status_code == 409
    answer = await sign(cell, record, "s-2")
    assert answer.status_code == 200, answer.text
    event = next(cell.store.journal.read(answer.json()["seq"])).event
    assert isinstance(event, RecordSigned)
    assert event.record_sha256 == cell.store.records.latest(record["serial"]).sha256
    assert answer.json()["name_proven"] == "no"


async def test_a_signature_without_a_name_or_with_a_meaning_of_its_own_is_refused(cell):
    record = await part(cell)
    for changes in ({"by": "  "}, {"meaning": "looks nice"}):
        assert (await sign(cell, record, **changes)).status_code == 422


async def test_a_part_in_the_cell_is_not_amended(cell):
    """The part has come back: what its record will be is the cell's business now."""
    record = await part(cell)
    published = cell.lookout.published
    name, pallet = next(iter(published.state.pallets.items()))
    back = replace(pallet, serial=record["serial"], part_type=record["part_type"])
    state = replace(published.state, pallets={**published.state.pallets, name: back})
    cell.lookout.publish(replace(published, state=state, entries=(), choices=()))
    answer = await amend(cell, record, batch="B-2")
    assert (answer.status_code, answer.json()["code"]) == (409, 25)


async def test_of_two_who_amend_at_once_the_second_has_to_look_again(cell):
    record = await part(cell)
    answers = await asyncio.gather(
        amend(cell, record, "a", batch="B-2"), amend(cell, record, "b", batch="B-3")
    )
    assert sorted(each.status_code for each in answers) == [200, 409]
    assert cell.store.records.latest(record["serial"]).record.revision == record["revision"] + 1
    assert cell.runtime.status().phase == "running"


async def test_an_amendment_whose_answer_came_too_late_keeps_the_turn(cell, monkeypatch):
    """The journal is slow: the next one waits for it and does not make a second record of the same revision."""
    monkeypatch.setattr("supervisor.api.papers.CONFIRM_S_MAX", 0.05)
    held = asyncio.Event()
    loop = asyncio.get_running_loop()
    append = cell.store.journal.append

    def slow(entries):
        asyncio.run_coroutine_threadsafe(held.wait(), loop).result()
        return append(entries)

    record = await part(cell)
    monkeypatch.setattr(cell.store.journal, "append", slow)
    assert (await amend(cell, record, "a", batch="B-2")).status_code == 503
    assert (await amend(cell, record, "b", batch="B-3")).status_code == 503
    held.set()
    monkeypatch.setattr("supervisor.api.papers.CONFIRM_S_MAX", 5.0)
    answer = await amend(cell, record, "c", batch="B-4")
    assert answer.status_code == 409
    assert cell.store.records.latest(record["serial"]).record.batch == "B-2"


async def test_the_sheet_and_the_page_show_what_people_did(cell):
    before = await part(cell)
    await amend(cell, before, batch="B-2")
    after = (await cell.client.get(f"/api/v1/parts/{before['serial']}")).json()
    await sign(cell, after)
    words = await sheet(cell, after)
    for said in (
        "M. Weaver",
        REASON,
        "batch:",
        "R. Miller",
        "approval",
        "has no sign-in",
        after["sha256"][:16],
    ):
        assert said in words, said
    assert "It was replaced by revision 2" in await sheet(cell, before, entry=before["seq"])
    page = (await cell.client.get(f"/parts/{before['serial']}")).text
    for said in (
        "M. Weaver",
        REASON,
        "R. Miller",
        "approval",
        "has no sign-in",
        f"entry={before['seq']}",
    ):
        assert said in page, said
    papers = (await cell.client.get(f"/api/v1/parts/{before['serial']}/papers")).json()
    assert [each["revision"] for each in papers["amendments"]] == [2]
    assert [each["revision"] for each in papers["signatures"]] == [2]
