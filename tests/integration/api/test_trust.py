"""What people see and answer where a station may not be believed: calibrations that have ended."""

import pytest

from supervisor.cell.canonical import with_digest
from supervisor.cell.value import replace
from supervisor.core.events import HoldReleased


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
