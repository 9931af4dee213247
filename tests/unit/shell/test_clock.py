"""The cell's time."""

import pytest

from supervisor.shell.clock import CellClock, start_clock


class Monotonic:
    def __init__(self):
        self.s = 1_000.0

    def __call__(self):
        return self.s


def test_cell_time_is_the_base_plus_elapsed_time_times_the_speed():
    seconds = Monotonic()
    clock = CellClock(base_ms=5_000, speed=60, monotonic=seconds)
    seconds.s += 0.5
    assert clock.now_ms() == 35_000


def test_a_span_of_cell_time_takes_less_real_time_when_the_cell_runs_fast():
    clock = CellClock(base_ms=0, speed=60, monotonic=Monotonic())
    assert clock.real_s(60_000) == 1.0
    assert clock.real_s(-5) == 0.0


@pytest.mark.hazard(20)
def test_a_restart_never_goes_back_behind_the_journal():
    far_ahead_ms = 4_000_000_000_000
    assert start_clock(after_ms=far_ahead_ms).now_ms() >= far_ahead_ms


def test_a_fresh_clock_starts_at_wall_time():
    assert start_clock(after_ms=0).now_ms() > 1_700_000_000_000  # November 2023


def test_time_that_stands_still_is_refused():
    with pytest.raises(ValueError, match="above 0"):
        CellClock(base_ms=0, speed=0, monotonic=Monotonic())
