"""Who a request is for, where only this machine can reach the interface."""

import pytest

from supervisor.api.limits import is_own


@pytest.mark.parametrize(
    "named",
    ["localhost", "localhost:8000", "127.0.0.1", "127.0.0.1:8000", "127.0.0.2:1", "[::1]:8000"],
)
def test_names_of_this_machine_lead_here(named):
    assert is_own(named)


@pytest.mark.parametrize(
    "named",
    [
        "",
        "cell.example",
        "localhost.cell.example:8000",
        "10.0.0.7",
        "127.0.0.1.cell.example",
        "[::2]",
    ],
)
def test_other_names_do_not(named):
    assert not is_own(named)
