"""Each point at which a service can be killed lies where its name says."""

from collections.abc import Callable

import pytest

from supervisor.core.commands import MoveHandler, SetDoor, StartRun
from supervisor.core.events import HandlerObserved, ResultArrived, StationObserved, TimerFired
from supervisor.shell.memory import MemoryJournal
from supervisor.shell.outbox import Outbox
from supervisor.shell.ports import SCHEMA, JournalEntry
from tests.system.kills.points import DeadlyJournal, DeadlyOutbox, Death, Point, Trigger, Wire

DOOR = SetDoor(order=1, station="scan-1", door="open")
START = StartRun(
    order=2,
    station="scan-1",
    run_id="R1",
    run_no=1,
    program="p",
    name="p",
    number=1,
    revision="",
    part_type="cam-ring",
    serial="1",
    pallet="a",
)
SWAP = MoveHandler(
    order=3, action="swap", place="scan-1", pick_jaw=1, put_jaw=2, picked="a", put="b"
)
SEEN = StationObserved(
    station="scan-1",
    source_ms=1,
    boot="b",
    link="up",
    mode="automatic",
    door="open",
    nest="empty",
    work="idle",
    run_id="",
    serial="",
    program="",
    counter=-1,
    gate="",
)
RESULT = ResultArrived(
    station="scan-1",
    source_ms=1,
    boot="b",
    result_id="r",
    run_id="R1",
    serial="1",
    counter=-1,
    scope="final",
    values=(),
)


def handler(phase: str, *jaws: str) -> HandlerObserved:
    return HandlerObserved(
        source_ms=1,
        boot="b",
        link="up",
        mode="automatic",
        order=3,
        phase=phase,
        inside="",
        at="",
        jaws=jaws,
        why="",
    )


class Killed(Exception):  # noqa: N818 - it says what happened
    """In place of the end of the process."""


class Machine:
    """An adapter that notes what it was given."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.given: list[object] = []

    def give(self, goal: object) -> None:
        self.given.append(goal)


class Step:
    """Appends and dispatches as the runtime does, until it is killed."""

    def __init__(self, point: Point, skip: int = 0) -> None:
        self.journal = MemoryJournal()
        self.machines = [Machine("scan-1"), Machine("handler")]
        trigger = Trigger(Death(point=point, skip=skip, share=0.0), self._kill)
        wire = Wire()
        outbox = Outbox(handler="handler", adapters=self.machines)
        self._journal = DeadlyJournal(self.journal, trigger, wire, "handler")
        self._outbox = DeadlyOutbox(outbox, trigger, wire)

    def _kill(self) -> None:
        raise Killed

    def take(self, event: object, *goals: object) -> None:
        seq = len(self.journal.entries) + 1
        entry = JournalEntry(seq=seq, at_ms=seq, schema=SCHEMA, event=event, commands=goals)
        self._journal.append([entry])
        for goal in goals:
            self._outbox.give(goal)

    def kept(self) -> int:
        return len(self.journal.entries)

    def given(self) -> list[object]:
        return [goal for machine in self.machines for goal in machine.given]


def started(step: Step) -> None:
    step.take(SEEN, START)


def swapping(step: Step) -> None:
    step.take(SEEN, SWAP)


def nothing(_step: Step) -> None:
    """Nothing came before."""


TIMER = TimerFired(timer="t")


@pytest.mark.parametrize(
    ("point", "before", "fact", "goals", "kept", "given"),
    [
        ("before append", nothing, TIMER, (), 0, []),
        ("append held up", nothing, SEEN, (DOOR,), 0, []),
        ("after append", nothing, TIMER, (), 1, []),
        ("command journalled", nothing, SEEN, (DOOR,), 1, []),
        ("start journalled", nothing, SEEN, (START,), 1, []),
        ("start sent", started, SEEN, (), 1, [START]),
        ("before result stored", started, RESULT, (), 1, [START]),
        ("after result stored", started, RESULT, (), 2, [START]),
        ("swap journalled", nothing, SEEN, (SWAP,), 1, []),
        ("amid the swap", swapping, handler("busy", "occupied", "occupied"), (), 1, [SWAP]),
        ("swap done", swapping, handler("done", "occupied", "empty"), (), 1, [SWAP]),
        ("while recovering", nothing, SEEN, (DOOR,), 1, []),
    ],
)
def test_a_death_strikes_between_what_is_kept_and_what_is_given(
    point: Point,
    before: Callable[[Step], None],
    fact: object,
    goals: tuple[object, ...],
    kept: int,
    given: list[object],
) -> None:
    step = Step(point)
    before(step)
    with pytest.raises(Killed):
        step.take(fact, *goals)
    assert (step.kept(), step.given()) == (kept, given)


def test_a_death_waits_until_its_point_was_passed_as_often_as_it_says() -> None:
    step = Step("before append", skip=2)
    step.take(TIMER)
    step.take(TIMER)
    with pytest.raises(Killed):
        step.take(TIMER)
    assert step.kept() == 2


def test_a_swap_is_amid_only_between_its_two_moves() -> None:
    step = Step("amid the swap")
    swapping(step)
    step.take(handler("busy", "empty", "occupied"))
    step.take(handler("accepted", "occupied", "occupied"))
    step.take(handler("busy", "occupied", "empty"))
    assert step.kept() == 4


def test_what_another_machine_says_is_no_answer_to_a_command() -> None:
    step = Step("command sent")
    step.take(SEEN, DOOR)
    step.take(handler("idle", "empty", "empty"))
    with pytest.raises(Killed):
        step.take(SEEN)
    assert step.kept() == 2
