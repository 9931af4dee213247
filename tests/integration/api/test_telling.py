"""What people and lines tell the cell, once."""

import asyncio

import pytest

from supervisor.core.commands import ClearFault
from supervisor.core.events import CellOrdered, HoldReleased

PAUSE = {"mode": "pause", "by": "test"}
RUN = {"mode": "run", "by": "test"}
CLEAR = {"answer": "clear", "by": "M. Weaver"}


async def order(cell, body, key="k-1"):
    headers = {"Idempotency-Key": key} if key else {}
    return await cell.client.post("/api/v1/cell/mode", json=body, headers=headers)


async def release(cell, hold, body, key="k-1"):
    address = f"/api/v1/holds/{hold}/release"
    return await cell.client.post(address, json=body, headers={"Idempotency-Key": key})


def told(cell, kind):
    return [e for e in cell.store.journal.read(1) if isinstance(e.event, kind)]


async def test_an_order_is_in_the_journal_before_it_is_answered(cell):
    answer = await order(cell, PAUSE)
    assert answer.status_code == 200, answer.text
    entry = next(cell.store.journal.read(answer.json()["seq"]))
    assert entry.event == CellOrdered(want="pause", by="test")
    assert cell.state().want == "pause"


async def test_a_hold_is_released_by_name_and_its_goal_goes_out(cell):
    hold = await cell.hold("scan-1")
    answer = await release(cell, hold, CLEAR)
    assert answer.status_code == 200, answer.text
    entry = next(cell.store.journal.read(answer.json()["seq"]))
    assert entry.event == HoldReleased(hold=hold, answer="clear", by="M. Weaver", place="")
    await asyncio.sleep(0)
    assert [type(goal) for goal in cell.machines["scan-1"].goals] == [ClearFault]


async def test_a_hold_shows_what_it_offers(cell):
    hold = await cell.hold("scan-1")
    shown = (await cell.client.get(f"/api/v1/holds/{hold}")).json()
    assert shown["code"] == "station-fault"
    assert shown["answers"] == ["clear"]
    assert shown["advice"]
    assert (await cell.client.get("/api/v1/holds")).json() == [shown]


async def test_an_answer_that_a_hold_does_not_offer_changes_nothing(cell):
    hold = await cell.hold()
    answer = await release(cell, hold, {"answer": "explode", "by": "test"})
    assert answer.status_code == 422
    assert "'clear'" in answer.json()["detail"]
    assert hold in cell.state().holds


async def test_a_place_that_is_not_there_is_refused(cell):
    hold = await cell.hold()
    answer = await release(cell, hold, {**CLEAR, "place": "rack-99"})
    assert answer.status_code == 404
    assert hold in cell.state().holds


@pytest.mark.hazard(36)
async def test_the_same_request_again_gets_the_same_answer_and_no_second_effect(cell):
    first = await order(cell, PAUSE)
    again = await order(cell, PAUSE)
    assert again.json() == first.json()
    assert "idempotent-replayed" not in first.headers
    assert again.headers["idempotent-replayed"] == "true"
    assert len(told(cell, CellOrdered)) == 1


async def test_a_repeated_release_gets_its_answer_although_the_hold_is_gone(cell):
    hold = await cell.hold()
    first = await release(cell, hold, CLEAR)
    again = await release(cell, hold, CLEAR)
    assert (again.status_code, again.json()) == (200, first.json())
    assert len(told(cell, HoldReleased)) == 1


async def test_a_key_does_not_serve_another_request(cell):
    await order(cell, PAUSE)
    answer = await order(cell, RUN)
    assert answer.status_code == 422
    assert answer.json()["code"] == 11
    assert cell.state().want == "pause"


async def test_a_request_without_a_key_is_refused(cell):
    for headers in ({}, {"Idempotency-Key": ""}):
        answer = await cell.client.post("/api/v1/cell/mode", json=PAUSE, headers=headers)
        assert answer.status_code == 400
        assert answer.json()["code"] == 10
    assert cell.state().want == "run"


async def test_the_key_may_come_in_the_body(cell):
    body = {**PAUSE, "request_id": "17"}
    first = await order(cell, body, key="")
    again = await order(cell, body, key="")
    assert (first.status_code, again.json()) == (200, first.json())
    assert len(told(cell, CellOrdered)) == 1


@pytest.mark.hazard(36)
async def test_of_two_at_once_only_one_is_carried_out(cell):
    answers = await asyncio.gather(order(cell, PAUSE), order(cell, PAUSE))
    assert sorted(a.status_code for a in answers) in ([200, 200], [200, 409])
    assert len(told(cell, CellOrdered)) == 1


async def test_a_refused_request_may_be_tried_again_under_its_key(cell):
    hold = await cell.hold()
    assert (await release(cell, "hold-0", CLEAR)).status_code == 404
    assert (await release(cell, hold, CLEAR)).status_code == 200


async def test_what_was_ordered_stays_ordered_over_a_restart(start_cell, tmp_path):
    """Answers are not remembered over a restart: the order is decided anew and changes nothing."""
    async with start_cell(tmp_path) as cell:
        first = await order(cell, PAUSE)
    async with start_cell(tmp_path) as cell:
        assert (await cell.client.get("/api/v1/cell")).json()["want"] == "pause"
        again = await order(cell, PAUSE)
        assert again.status_code == 200
        assert again.json()["seq"] > first.json()["seq"]
        assert cell.state().want == "pause"


async def test_an_order_that_is_not_confirmed_in_time_says_that_it_may_still_work(
    cell, monkeypatch
):
    """The journal answers too late: nobody may be told that nothing happened."""
    monkeypatch.setattr("supervisor.api.inside.CONFIRM_S_MAX", 0.05)
    held = asyncio.Event()
    loop = asyncio.get_running_loop()
    append = cell.store.journal.append

    def slow(entries):
        asyncio.run_coroutine_threadsafe(held.wait(), loop).result()
        return append(entries)

    monkeypatch.setattr(cell.store.journal, "append", slow)
    answer = await order(cell, PAUSE)
    assert answer.status_code == 503
    assert answer.json()["code"] == 31
    held.set()
    again = await order(cell, PAUSE)
    assert again.status_code in (200, 503)
    await asyncio.sleep(0.1)
    assert cell.state().want == "pause"
