"""Hazard 34: the permit to send is renewed by the step's turns and by nothing else."""

import asyncio
import time

import pytest

from supervisor.cell.value import replace
from supervisor.shell.lag import STALL_S, WINDOW_S, LagMeter
from supervisor.shell.permit import UNLEASED, LeasedPermit, NotPermitted
from supervisor.shell.ports import JournalRefused
from supervisor.stations.security import NoSecurity
from supervisor.stations.wire import Session

LENGTH_S = 8.0


class Lease:
    """A lease that is renewed, refused or lost as a test says."""

    fence = 7
    length_s = LENGTH_S

    def __init__(self, clock):
        self.clock = clock
        self.answers = []
        self.renewed_at_s = []

    def renew(self):
        if self.answers:
            raise self.answers.pop(0)
        self.renewed_at_s.append(self.clock.now_s)


class Clock:
    now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def lease(clock):
    return Lease(clock)


@pytest.fixture
async def permit(lease, clock):
    made = LeasedPermit(lease, now_s=clock)
    yield made
    await made.close()


async def turn(permit):
    """One turn of the step, and the renewal that it may have set off."""
    permit.turned()
    await renewed(permit)


async def renewed(permit):
    if permit._renewing is not None:
        await permit._renewing


def holds(permit):
    return permit.status().holds == "yes"


@pytest.mark.hazard(34)
async def test_it_runs_out_when_the_step_turns_no_more(permit, clock):
    clock.now_s += LENGTH_S - 0.001
    permit.check()
    clock.now_s += 0.002
    with pytest.raises(NotPermitted, match="fence 7"):
        permit.check()
    assert permit.status().lapses == 1


async def test_each_quarter_of_a_lease_a_turn_renews_it(permit, lease, clock):
    for _ in range(40):
        clock.now_s += LENGTH_S / 20
        await turn(permit)
    assert holds(permit)
    assert len(lease.renewed_at_s) == 1 + 40 * 4 // 20


async def test_time_alone_renews_nothing(permit, lease, clock):
    clock.now_s += 10 * LENGTH_S
    for _ in range(100):
        await asyncio.sleep(0)
    assert lease.renewed_at_s == [100.0]
    assert not holds(permit)


async def test_a_lease_counts_from_before_it_was_asked_for(lease, clock):
    def slow():
        clock.now_s += 5.0

    lease.renew = slow
    permit = LeasedPermit(lease, now_s=clock)
    assert permit.status().left_s == LENGTH_S - 5.0
    clock.now_s += 1.0
    await turn(permit)
    assert permit.status().left_s == LENGTH_S - 5.0
    await permit.close()


async def test_a_database_that_refuses_for_a_moment_costs_nothing(permit, lease, clock):
    lease.answers = [JournalRefused("away")]
    clock.now_s += LENGTH_S / 4
    await turn(permit)
    assert (holds(permit), permit.status().why) == (True, "away")
    clock.now_s += LENGTH_S / 4
    await turn(permit)
    assert (permit.status().left_s, permit.status().why) == (LENGTH_S, "")


async def test_who_waits_goes_on_with_the_first_turn_after_the_renewal(permit, clock):
    clock.now_s += LENGTH_S + 1
    waiting = asyncio.create_task(permit.granted())
    await asyncio.sleep(0)
    await turn(permit)
    assert not waiting.done(), "that turn asked for the renewal"
    permit.turned()
    await asyncio.wait_for(waiting, 1)
    permit.check()


async def test_the_log_has_one_line_when_it_runs_out_and_one_when_it_holds_again(
    permit, clock, caplog
):
    clock.now_s += LENGTH_S + 1
    for _ in range(3):
        permit.status()
    for _ in range(3):
        await turn(permit)
    assert [record.getMessage() for record in caplog.records] == [
        "the lease of fence 7 ran out: nothing is sent until it is renewed",
        "the lease of fence 7 holds again",
    ]


async def test_machines_are_told_of_turns_while_it_holds_only(permit, clock):
    told = asyncio.create_task(permit.turn())
    await asyncio.sleep(0)
    clock.now_s += LENGTH_S + 1
    await turn(permit)
    assert not told.done(), "the lease had run out"
    await turn(permit)
    assert await asyncio.wait_for(told, 1) == 1


async def test_a_journal_that_refuses_keeps_the_cell_but_tells_no_machine_to_go_on(permit, clock):
    told = asyncio.create_task(permit.turn())
    await asyncio.sleep(0)
    for _ in range(8):
        clock.now_s += LENGTH_S / 4
        permit.stalled()
        await renewed(permit)
    assert holds(permit)
    assert not told.done()
    told.cancel()


async def test_one_that_is_lost_never_comes_back(permit, lease, clock):
    lease.answers = [RuntimeError("another supervisor drives the cell")]
    clock.now_s += LENGTH_S / 4
    await turn(permit)
    with pytest.raises(NotPermitted):
        permit.check()
    with pytest.raises(RuntimeError, match="another supervisor"):
        await permit.lost()
    clock.now_s += LENGTH_S
    await turn(permit)
    assert not holds(permit)
    assert len(lease.renewed_at_s) == 1


@pytest.mark.hazard(34)
async def test_a_blocked_loop_loses_it_although_its_threads_are_alive():
    """Real time, a real block: what renews is the loop and not the thread that carries the renewal."""

    class Counting(Lease):
        length_s = 0.2

    lease = Counting(Clock())
    permit = LeasedPermit(lease)
    await turn(permit)
    before = len(lease.renewed_at_s)
    time.sleep(0.3)  # noqa: ASYNC251 - blocks the loop, as a defect would
    with pytest.raises(NotPermitted):
        permit.check()
    assert len(lease.renewed_at_s) == before
    await permit.close()


# --- what asks it ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("service", ["write", "call"])
@pytest.mark.hazard(19)
async def test_no_bytes_leave_without_it(permit, clock, service):
    session = Session("opc.tcp://127.0.0.1:1", NoSecurity(), timeout_ms=1_000, permit=permit)

    async def send():
        await (session.write([]) if service == "write" else session.call(None, None, [], 1.0))

    with pytest.raises(Exception) as permitted:  # noqa: PT011 - it is not connected; each service says so in its own way
        await send()
    assert not isinstance(permitted.value, NotPermitted)
    clock.now_s += LENGTH_S + 1
    with pytest.raises(NotPermitted):
        await send()


async def test_a_driver_without_rivals_always_may():
    UNLEASED.check()
    await UNLEASED.granted()
    assert UNLEASED.fence == 0


# --- the step ----------------------------------------------------------------------------------------------------------------


class Pulse:
    """Counts the turns of a step."""

    def __init__(self, turn_s=0.005):
        self.turn_s = turn_s
        self.log = []

    def turned(self):
        self.log.append("turned")

    def stalled(self):
        self.log.append("stalled")


async def running(cell, pulse):
    cell.runtime._wiring = replace(cell.runtime._wiring, pulse=pulse)
    return cell.runtime


async def test_a_step_without_facts_turns_in_place(the):
    cell, pulse = the.Cell(), Pulse()
    runtime = await running(cell, pulse)
    task = asyncio.create_task(runtime.run(the.started()))
    await the.until(lambda: len(pulse.log) > 5)
    assert set(pulse.log) == {"turned"}
    task.cancel()


async def test_a_step_whose_journal_refuses_does_not_turn(the, monkeypatch):
    monkeypatch.setattr("supervisor.shell.runtime.APPEND_AGAIN_S", 0.001)
    cell, pulse = the.Cell(), Pulse()
    runtime = await running(cell, pulse)
    cell.journal.refusals = 20
    task = asyncio.create_task(runtime.run(the.started()))
    await the.until(lambda: cell.journal.refusals == 0)
    assert set(pulse.log) == {"stalled"}
    await the.until(lambda: "turned" in pulse.log)
    task.cancel()


async def test_a_broken_step_turns_no_more(the):
    cell, pulse = the.Cell(), Pulse()
    runtime = await running(cell, pulse)
    task = asyncio.create_task(runtime.run(the.started()))
    await the.until(lambda: "turned" in pulse.log)
    runtime.inbox.put(the.poison, source="test")
    await asyncio.wait_for(task, 5)
    turns = len(pulse.log)
    await asyncio.sleep(5 * pulse.turn_s)
    assert len(pulse.log) == turns


# --- the lag -----------------------------------------------------------------------------------------------------------------


def test_the_longest_lag_of_the_last_minute_is_kept():
    meter = LagMeter()
    meter.note(0.2, at_s=0.0)
    meter.note(0.3, at_s=10.0)
    meter.note(0.1, at_s=20.0)
    assert (meter.lag().longest_s, meter.lag().now_s) == (0.3, 0.1)
    meter.note(0.05, at_s=10.1 + WINDOW_S)
    assert meter.lag().longest_s == 0.1
    assert meter.lag().stalls == 0


@pytest.mark.hazard(34)
async def test_a_loop_that_stands_still_is_measured(monkeypatch):
    monkeypatch.setattr("supervisor.shell.lag.EVERY_S", 0.01)
    meter = LagMeter()
    task = asyncio.create_task(meter.run())
    await asyncio.sleep(0.05)
    time.sleep(STALL_S + 0.1)  # noqa: ASYNC251 - blocks the loop, as a defect would
    await asyncio.sleep(0.05)
    task.cancel()
    assert meter.lag().longest_s >= STALL_S
    assert meter.lag().stalls == 1
