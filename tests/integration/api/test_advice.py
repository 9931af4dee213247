"""Advice and charts over the interface: records that are kept become an amount, and people's answers are journalled."""

import asyncio
from decimal import Decimal

import pytest

from supervisor.cell.value import replace
from supervisor.core.events import AdviceDeclined, ProcessCorrected, RecordAmended
from supervisor.verdict.agreement import Agreement, Difference, Pair

PARTS = 30
OFFSET = "/api/v1/advice/pump-body/rotor-bore"


def shifted(past, cell, number):
    """A record of another pump body, its rotor bore 6 micrometres above the middle with the scatter of a good process."""
    kept = next(
        r
        for s in past.serials
        for r in [cell.store.records.latest(s).record]
        if r.part_type == "pump-body" and r.findings[0].decided_by
    )
    first = kept.findings[0]
    measured = 62.021 + 0.0004 * (number * 7 % 5 - 2)
    by = replace(first.decided_by, value=measured, quality="good", flaw="")
    finding = replace(first, decided_by=by, monitored_by=(), verdict="conforming")
    return replace(
        kept,
        serial=str(700_000 + number),
        produced="",
        entered_ms=past.entries[-1].at_ms - (PARTS - number) * 1_000,
        findings=(finding, *kept.findings[1:]),
    )


@pytest.fixture
async def measured(cell, past):
    """A cell with thirty more parts on record, each kept by an entry of its own."""
    for number in range(PARTS):
        record = shifted(past, cell, number)
        await cell.tell(RecordAmended(by="a test", why="", changes=(), record=record))
    return cell


async def offered(cell):
    return (await cell.client.get(OFFSET)).json()


async def post(cell, what, body, key):
    return await cell.client.post(
        f"{OFFSET}/{what}", json={"by": "M. Weaver", **body}, headers={"Idempotency-Key": key}
    )


async def test_kept_records_become_a_signed_amount_with_its_evidence(measured):
    advice = await offered(measured)
    # The middle of 62 H7 is 62.015: 0.006 too large by a radius offset whose gain is 2.
    assert advice["state"] == "offered", advice["why"]
    assert Decimal("-0.003") <= Decimal(advice["amount"]) < 0
    values = advice["evidence"][0]["values"]
    assert [v["serial"] for v in values] == [str(700_000 + n) for n in range(PARTS - 5, PARTS)]
    listed = (await measured.client.get("/api/v1/advice")).json()
    assert advice in listed
    assert {each["offset"] for each in listed} == {"rotor-bore", "bottom-face", "ports"}


async def test_accepting_is_journalled_and_ends_the_evidence(measured):
    advice = await offered(measured)
    answer = await post(measured, "accept", {"advice": advice["advice"]}, "a-1")
    assert answer.status_code == 200, answer.text
    event = next(measured.store.journal.read(answer.json()["seq"])).event
    assert isinstance(event, ProcessCorrected)
    assert (event.by, event.amount, event.number) == ("M. Weaver", Decimal(advice["amount"]), 1)
    after = await offered(measured)
    assert (after["state"], after["reason"], after["number"]) == ("withheld", "too few parts", 2)
    assert after["corrected"]["amount"] == advice["amount"]
    assert after["effects"][0]["outcome"] == "too early"


async def test_the_same_acceptance_again_corrects_once(measured):
    advice = await offered(measured)
    first, again = [
        await post(measured, "accept", {"advice": advice["advice"]}, "a-1") for _ in range(2)
    ]
    assert first.json() == again.json()
    assert again.headers["Idempotent-Replayed"] == "true"


@pytest.mark.hazard(44)
async def test_of_two_who_accept_at_once_one_corrects(measured):
    advice = await offered(measured)
    answers = await asyncio.gather(
        post(measured, "accept", {"advice": advice["advice"], "by": "A"}, "a-1"),
        post(measured, "accept", {"advice": advice["advice"], "by": "B"}, "b-1"),
    )
    assert sorted(each.status_code for each in answers) == [200, 409]
    assert measured.state().tool_offsets["pump-body/rotor-bore"].corrected.number == 1


@pytest.mark.hazard(44)
async def test_advice_that_is_not_the_one_in_force_is_refused(measured):
    for what in ("accept", "decline"):
        answer = await post(measured, what, {"advice": "pump-body/rotor-bore/9/1/+0.1"}, what)
        assert (answer.status_code, answer.json()["code"]) == (409, 27)
    assert measured.state().tool_offsets == {}


async def test_declining_is_journalled_and_the_advice_rests(measured):
    advice = await offered(measured)
    answer = await post(
        measured, "decline", {"advice": advice["advice"], "why": "tool change next"}, "d-1"
    )
    assert isinstance(next(measured.store.journal.read(answer.json()["seq"])).event, AdviceDeclined)
    after = await offered(measured)
    assert (after["reason"], after["declined"]["by"]) == ("declined", "M. Weaver")


async def test_a_tool_change_that_people_report_ends_the_evidence(measured):
    report = {"number": 1, "amount": "0", "why": "new insert"}
    assert (await post(measured, "corrections", report, "c-1")).status_code == 200
    assert (await offered(measured))["reason"] == "too few parts"
    late = await post(measured, "corrections", report | {"by": "B"}, "c-2")
    assert (late.status_code, late.json()["code"]) == (409, 27)


@pytest.mark.parametrize("amount", ["1e3", "nan", "", "0,1", "1234567"])
async def test_an_amount_that_is_no_plain_number_is_refused(cell, amount):
    report = {"number": 1, "amount": amount, "why": "x"}
    assert (await post(cell, "corrections", report, "c-1")).status_code == 422


@pytest.mark.parametrize(
    "address",
    [
        "/api/v1/advice/pump-body/nowhere",
        "/api/v1/advice/nothing/rotor-bore",
        "/api/v1/charts/pump-body/99",
        "/api/v1/charts/nothing/1",
        "/process/pump-body/99",
    ],
)
async def test_what_nobody_declared_is_not_found(cell, address):
    assert (await cell.client.get(address)).status_code == 404


async def test_a_chart_has_limits_of_its_first_values_and_no_index_from_few(measured):
    chart = (await measured.client.get("/api/v1/charts/pump-body/1")).json()
    assert len(chart["values"]) >= PARTS
    assert chart["base"] == 25
    centre = sum(v["value"] for v in chart["values"][:25]) / 25
    assert chart["limits"]["centre"] == pytest.approx(centre)
    assert (chart["index"], "50 values" in chart["why"]) == (None, True)
    assert len(chart["cusum"]["upper"]) == len(chart["values"])
    assert chart["subgroups"] is None
    few = (await measured.client.get("/api/v1/charts/cam-ring/1")).json()
    assert few["cusum"] is None
    assert (few["limits"], few["stable"]) == (None, "not known")
    assert len((await measured.client.get("/api/v1/charts")).json()) > 30


async def test_the_pages_show_advice_and_chart_without_script(measured):
    advice = await offered(measured)
    page = (await measured.client.get("/process")).text
    for said in (advice["amount"], advice["advice"], "T14 boring head", "/process/pump-body/1"):
        assert said in page, said
    chart = (await measured.client.get("/process/pump-body/1")).text
    assert "<svg" in chart
    assert "stroke-dasharray" in chart
    assert "upper limit 62.03" in chart
    assert "style=" not in chart


async def test_subgroups_are_there_where_they_are_asked_for(measured):
    address = "/charts/pump-body/1?subgroup=2&spread=deviation"
    chart = (await measured.client.get(f"/api/v1{address}")).json()
    found = chart["subgroups"]
    values = [v["value"] for v in chart["values"]]
    assert (found["size"], found["spread"]) == (2, "deviation")
    assert found["groups"][0]["mean"] == pytest.approx(sum(values[:2]) / 2)
    assert len(found["groups"]) == len(values) // 2
    page = (await measured.client.get("/process/pump-body/1?subgroup=2&rules=nelson")).text
    for said in ("Subgroups of 2 parts", "Means", "Ranges", "CUSUM", "selected>nelson"):
        assert said in page, said
    refused = await measured.client.get("/api/v1/charts/pump-body/1?subgroup=11")
    assert refused.status_code == 422


async def test_stations_that_disagree_block_advice_until_they_are_settled(cell, past):
    """Both stations are marked for a check meanwhile. The newest parts have one station's values only, so their window shows nothing."""
    for number in range(PARTS):
        record = shifted(past, cell, number)
        await cell.tell(RecordAmended(by="a test", why="", changes=(), record=record))
    assert (await offered(cell))["state"] == "offered"
    pair = Pair(part_type="pump-body", number="1", one="scan-1", other="touch-1")
    raise_alarm(cell, pair)

    advice = await offered(cell)

    assert (advice["state"], advice["reason"]) == ("withheld", "stations disagree")
    assert "check both stations for characteristic 1" in advice["why"]
    assert (await cell.client.get("/api/v1/agreement")).json()["stations_to_check"] == [
        "scan-1",
        "touch-1",
    ]
    assert "stations disagree" in (await cell.client.get("/process")).text
    refused = await post(cell, "accept", {"advice": "pump-body/rotor-bore/1"}, "blocked")
    assert refused.status_code == 409


def raise_alarm(cell, pair):
    """The published state with an alarm, as the core would keep it."""
    last = Difference(
        serial="1", measured_ms=1, unit="mm", difference=0.01, middle=62.0, z=4.0, en=2.0
    )
    alarm = Agreement(
        pair=pair, count=9, level=3.0, limit=2.0, standing="disagrees", since_ms=1, last=last
    )
    published = cell.lookout.published
    agreement = {**published.state.agreement, pair.title: alarm}
    cell.lookout.publish(
        replace(
            published, state=replace(published.state, agreement=agreement), entries=(), choices=()
        )
    )
