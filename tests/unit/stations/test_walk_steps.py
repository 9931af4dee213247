"""What a walk takes for the station's own way on, and what for a fault."""

import pytest

from supervisor.cell.profile_values import NOT_SUPPORTED
from supervisor.cell.shipped import shipped_profile
from supervisor.stations.walk_steps import work_went_on

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
