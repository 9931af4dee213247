"""The agreement of stations over the interface and on the page."""

import pytest

from supervisor.cell.reading_order import reading_order
from supervisor.cell.value import replace
from supervisor.core.events import AgreementSettled


async def test_every_pair_is_shown_with_its_limit_and_the_run_lengths(cell):
    shown = (await cell.client.get("/api/v1/agreement")).json()

    assert (shown["limit"], shown["stations_to_check"]) == (2.0, [])
    assert {run["mean_z"]: run["parts"] for run in shown["run_lengths"]}[2.0] == 14
    assert [f"{p['part_type']} {p['number']} {p['one']} {p['other']}" for p in shown["pairs"]] == (
        sorted(cell.state().agreement, key=reading_order)
    )


async def test_the_difference_chart_ends_where_the_state_stands(cell):
    shown = (await cell.client.get("/api/v1/agreement")).json()
    assert shown["pairs"], "the past has parts that two stations measured"
    for pair in shown["pairs"]:
        asked = {name: pair[name] for name in ("part_type", "number", "one", "other")}
        chart = (await cell.client.get("/api/v1/agreement/differences", params=asked)).json()
        assert len(chart["points"]) == pair["count"]
        assert chart["points"][-1]["level"] == pytest.approx(pair["level"])
        assert chart["points"][-1]["en"] == pytest.approx(pair["last_en"])


async def test_a_settlement_is_in_the_journal_before_it_is_answered(cell):
    pair = next(iter(cell.state().agreement.values())).pair
    body = {
        "part_type": pair.part_type,
        "number": pair.number,
        "one": pair.one,
        "other": pair.other,
        "by": "M. Weaver",
        "note": "ring measured on both",
    }

    answer = await cell.client.post(
        "/api/v1/agreement/settle", json=body, headers={"Idempotency-Key": "s-1"}
    )

    assert answer.status_code == 200, answer.text
    assert next(cell.store.journal.read(answer.json()["seq"])).event == AgreementSettled(**body)
    assert cell.state().agreement[pair.title].count == 0


async def test_a_pair_that_is_not_known_is_refused(cell):
    body = {"part_type": "x", "number": "1", "one": "a", "other": "b", "by": "M", "note": "n"}

    answer = await cell.client.post(
        "/api/v1/agreement/settle", json=body, headers={"Idempotency-Key": "s-2"}
    )

    assert answer.status_code == 404


async def test_an_alarm_marks_both_stations_over_rest_and_on_the_page(cell):
    """The alarm itself is a matter of the pure room; here a standing is made loud where it is published."""
    key, standing = next(iter(cell.state().agreement.items()))
    cell.state().agreement[key] = replace(
        standing, standing="disagrees", level=2.4, since_ms=standing.last.measured_ms
    )
    pair = standing.pair

    shown = (await cell.client.get("/api/v1/agreement")).json()
    page = (await cell.client.get("/")).text

    assert shown["stations_to_check"] == [pair.one, pair.other]
    assert f"{pair.one} and {pair.other}, characteristic {pair.number} of {pair.part_type}" in page
    assert "both stations checked" in page
    assert "/api/v1/agreement/settle" in page
