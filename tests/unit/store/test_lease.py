"""When a watcher may take a cell, on its own clock."""

import os
import subprocess
import sys

import pytest

from supervisor.cell.value import replace
from supervisor.store.holder import Holder, this_process
from supervisor.store.lease import Seen, Watch

LENGTH_S = 8.0


class Clock:
    now_s = 50.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def watch(clock):
    return Watch(clock)


def seen(beat=1, fence=1, standing="driving", holder=None):
    holder = holder or this_process()
    return Seen(fence=fence, beat=beat, length_s=LENGTH_S, standing=standing, holder=holder)


def test_a_cell_is_free_after_a_whole_lease_without_a_renewal(watch, clock):
    assert not watch.free(seen())
    clock.now_s += LENGTH_S - 0.001
    assert not watch.free(seen())
    clock.now_s += 0.001
    assert watch.free(seen())


@pytest.mark.parametrize("change", [{"beat": 2}, {"fence": 2}])
def test_counting_begins_anew_with_each_sign_of_life(watch, clock, change):
    watch.free(seen())
    clock.now_s += LENGTH_S - 0.001
    assert not watch.free(seen(**change))
    clock.now_s += LENGTH_S - 0.001
    assert not watch.free(seen(**change))


def test_counting_begins_anew_when_the_database_was_away(watch, clock):
    """Nobody could renew while it was: its return must not look like a lease that ran out."""
    watch.free(seen())
    watch.lost()
    clock.now_s += LENGTH_S
    assert not watch.free(seen())


def test_a_driver_that_ended_leaves_the_cell_free(watch):
    assert watch.free(seen(standing="ended"))


def test_a_process_that_is_gone_is_dead_and_so_is_its_body():
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    here = this_process()
    try:
        stat = f"/proc/{child.pid}/stat"
        with open(stat) as file:  # noqa: PTH123 - a file of the kernel
            started = file.read().rpartition(")")[2].split()[19]
        holder = replace(here, pid=child.pid, started=started)
        assert not holder.is_dead()
        child.stdin.close()
        os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
        assert holder.is_dead(), "it has ended and waits to be collected"
    finally:
        child.wait()
    assert holder.is_dead()


def test_a_number_that_was_given_to_another_process_proves_the_death_of_the_first():
    assert replace(this_process(), started="1").is_dead()


@pytest.mark.parametrize(
    "change", [{"boot": "another"}, {"space": "pid:[1]"}, {"boot": ""}], ids=str
)
def test_of_a_process_elsewhere_nothing_is_proven(change):
    assert not replace(this_process(), pid=2**22 + 1, **change).is_dead()


def test_a_process_elsewhere_is_not_killed():
    """A number means another process there: with this very number it would be this test."""
    replace(this_process(), boot="another").kill()
    replace(this_process(), started="1").kill()


def test_a_holder_is_named_for_people():
    holder = Holder(host="cell-pc", pid=12, boot="b", space="s", started="1")
    assert str(holder) == "process 12 on cell-pc"
