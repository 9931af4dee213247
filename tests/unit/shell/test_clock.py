"""The cell's time."""

import pytest

from supervisor.shell.clock import APART_MS_MAX, CellClock, ClockWatch, start_clock


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


@pytest.mark.hazard(20)
def test_a_clock_that_is_set_moves_nothing_and_is_told_once_and_once_when_it_agrees_again(caplog):
    caplog.set_level("INFO", logger="supervisor.shell.clock")
    seconds = Monotonic()
    clock = CellClock(base_ms=1_000_000, speed=1, monotonic=seconds)
    watch = ClockWatch(clock)
    watch.look(1_000_000 + APART_MS_MAX)
    assert watch.trouble == ""
    for step_s, words in ((3_600, "3600 s ahead of"), (-7_200, "7200 s behind")):
        seconds.s += 1
        before_ms = clock.now_ms()
        watch.look(before_ms + step_s * 1_000)
        assert words in watch.trouble
        assert clock.now_ms() == before_ms
    watch.look(clock.now_ms() - APART_MS_MAX)
    assert watch.trouble == ""
    parted, agreed = (record.getMessage() for record in caplog.records)
    assert parted.startswith("the machine's clock is 3600 s ahead of the cell's time")
    assert agreed == "the machine's clock agrees with the cell's time again"


def test_simulated_time_is_apart_by_intent():
    assert CellClock(base_ms=0, speed=60, monotonic=Monotonic()).apart_ms(10**12) == 0


def test_a_fresh_clock_starts_at_wall_time():
    assert start_clock(after_ms=0).now_ms() > 1_700_000_000_000  # November 2023


def test_time_that_stands_still_is_refused():
    with pytest.raises(ValueError, match="above 0"):
        CellClock(base_ms=0, speed=0, monotonic=Monotonic())
