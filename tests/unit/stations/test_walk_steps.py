"""What a walk takes for the station's own way on, and what for a fault."""

import pytest

from supervisor.cell.profile_values import NOT_SUPPORTED
from supervisor.cell.shipped import shipped_profile
from supervisor.core.events import ResultArrived
from supervisor.stations.walk_steps import clocks_apart, work_went_on

ACKNOWLEDGES = shipped_profile("packml-commands").orders.acknowledge


@pytest.mark.parametrize(
    ("before", "after", "acknowledge", "remark"),
    [
        ("idle", "finished", NOT_SUPPORTED, "the newest result again"),
        ("prepared", "aborted", NOT_SUPPORTED, "the newest result again"),
        ("idle", "finished", ACKNOWLEDGES, ""),
        ("idle", "prepared", ACKNOWLEDGES, "ready meanwhile"),
        ("prepared", "idle", ACKNOWLEDGES, ""),
        ("idle", "running", NOT_SUPPORTED, ""),
        ("idle", "unknown", NOT_SUPPORTED, ""),
    ],
)
def test_after_an_outage_work_may_have_gone_on_and_never_back(before, after, acknowledge, remark):
    found = work_went_on(before, after, acknowledge)
    assert remark in found
    assert bool(found) == bool(remark)


NINE_MS = 1_764_061_200_000
"""2025-11-25T09:00:00Z."""


@pytest.mark.parametrize(
    ("created_ms", "before_ms", "now_ms", "said"),
    [
        (NINE_MS + 60_001, NINE_MS, NINE_MS + 61_000, ()),
        (NINE_MS, NINE_MS + 900, NINE_MS + 61_000, ()),  # whole seconds are cut
        (NINE_MS + 1, NINE_MS + 900, NINE_MS + 61_000, ("09:00:00.001Z", "09:00:00.900Z")),
        (NINE_MS - 3_600_000, NINE_MS, NINE_MS + 61_000, ("08:00:00.000Z", "09:00:00.000Z")),
        (NINE_MS + 3_600_000, NINE_MS, NINE_MS + 61_000, ("10:00:00.000Z", "09:01:01.000Z")),
        (NINE_MS + 62_000, NINE_MS, NINE_MS + 61_000, ()),
        (-1, NINE_MS, NINE_MS + 61_000, ()),
        (NINE_MS, 0, NINE_MS + 61_000, ()),
    ],
)
def test_the_time_of_a_result_is_compared_with_the_clock_that_was_shown(
    created_ms, before_ms, now_ms, said
):
    result = ResultArrived(
        station="touch-1", source_ms=now_ms, boot="b", result_id="x", run_id="walk-7", serial="",
        counter=-1, scope="final", values=(), created_ms=created_ms,
    )  # fmt: skip
    remark = clocks_apart(result, before_ms, now_ms)
    assert bool(remark) == bool(said)
    for time in said:
        assert time in remark
