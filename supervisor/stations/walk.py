"""A walk: one station through its whole handshake, each answer noted, for the acceptance protocol.

Rules of this file:
- The station is spoken to by the same adapter that drives it later: what is walked is what runs.
- Nothing moves before the person has agreed to that step. Where a person has to do something, the step waits with a limit.
- A step that raises is over; the walk goes on with the next one that can still mean something. A run that should not have started is
  ended at once.
- A refusal counts only where nothing but the named condition stood in the way: that is noted before the order is given.
"""

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from datetime import UTC, datetime
from typing import Literal, Protocol

from supervisor.cell.model import Program, Station
from supervisor.cell.profile import StationProfile
from supervisor.cell.value import value
from supervisor.core.commands import (
    AbortRun,
    AcknowledgeResult,
    Goal,
    PrepareProgram,
    SetDoor,
    StartRun,
)
from supervisor.core.events import Event, OrderAnswered, ResultArrived, StationObserved
from supervisor.stations.adapter import Wiring
from supervisor.stations.station import StationAdapter
from supervisor.stations.walk_protocol import Observation, Step, Verdict

Act = Literal[
    "place-part",
    "remove-part",
    "manual",
    "automatic",
    "cut-connection",
    "restore-connection",
    "bad-quality",
    "good-quality",
]
"""What only a person at the station can do, or a program in its place."""

CONNECT_S_MAX = 30.0
ACT_S_MAX = 120.0
REFUSE_S_MAX = 8.0
WATCH_S = 2.0
LINK_S_MAX = 60.0
CHARACTERS_MAX = 300
FACETS = ("mode", "door", "nest", "work")
SHOWN = {
    "link": "link",
    **{name: name for name in FACETS},
    "run_id": "run echoed",
    "serial": "serial number echoed",
    "program": "program echoed",
    "counter": "results counted",
    "gate": "not fit to measure because",
}
"""What of an image goes into the protocol, and what it is called there."""
WORKING = ("running", "part free", "finished")


class StepFailed(Exception):  # noqa: N818 - it says what became of the step
    """The station did not do what was expected; the text says what it did."""


class NotDone(Exception):  # noqa: N818 - same
    """The step could not be done; the text says why."""


class Person(Protocol):
    """Who walks the station: a person at a console, or a program for a simulated one."""

    async def agrees(self, question: str) -> bool:
        """Whether something may move now."""
        ...

    async def does(self, act: Act, request: str) -> bool:
        """Ask for something to be done at the station; False if it cannot be done."""
        ...

    def told(self, step: Step) -> None:
        """A step is over."""
        ...


@value
class Visit:
    """What the run of the walk is made with. ``run_no`` must be new to the station."""

    program: Program
    serial: str
    run_no: int

    @property
    def run_id(self) -> str:
        """The run's name, as a supervisor that drives would give it."""
        return f"walk-{self.run_no}"


Check = Callable[["Walk"], Awaitable[None]]


class Walk:
    """One walk through one station."""

    def __init__(
        self,
        station: Station,
        profile: StationProfile,
        wiring: Wiring,
        visit: Visit | None,
        person: Person,
    ) -> None:
        self.station = station
        self.profile = profile
        self.visit = visit
        self.person = person
        self.adapter = StationAdapter(station.station, station.url, profile, wiring)
        self.started = False
        """Whether the run of the walk was ordered: what stands at the station before that is of an earlier run."""
        self.clock_ms = 0
        """What the station showed as its time before that run (0: nothing)."""
        self._speed = wiring.speed
        self._order = 0
        self._events: list[Event] = []
        self._news = asyncio.Event()
        self._seen: StationObserved | None = None
        self._observations: list[Observation] = []
        self._step_began_s = 0.0
        self._warnings: list[str] = []

    # --- what steps use ---------------------------------------------------------------------------------------------------

    @property
    def seen(self) -> StationObserved:
        """The newest image."""
        if self._seen is None:
            message = "nothing was ever seen of the station"
            raise NotDone(message)
        return self._seen

    def note(self, what: str, seen: object) -> None:
        """Put something into the protocol."""
        after_s = asyncio.get_running_loop().time() - self._step_began_s
        text = str(seen)[:CHARACTERS_MAX]
        self._observations.append(
            Observation(at=_now(), after_s=round(after_s, 3), what=what, seen=text)
        )

    def warn(self, what: str) -> None:
        """Say something about a step that has passed all the same: it stands in the protocol's overview."""
        self.note("warning", what)
        self._warnings.append(what)

    def give(self, goal: Goal) -> int:
        """Give an order, and note it."""
        self.note(f"order {goal.order} given", _words(goal))
        self.adapter.give(goal)
        return goal.order

    def order(self) -> int:
        """The next order number."""
        self._order += 1
        return self._order

    async def until(
        self, what: str, holds: Callable[[StationObserved], bool], limit_s: float
    ) -> None:
        """Wait until the image is as wanted.

        Raises:
            StepFailed: it was not, within the limit.
        """
        met = await self._within(limit_s, lambda: self._seen is not None and holds(self._seen))
        if not met:
            message = f"expected {what} within {limit_s:g} s; the station shows {_image(self._seen)}{self._answers()}"
            raise StepFailed(message)

    async def settles(self, holds: Callable[[StationObserved], bool]) -> bool:
        """Whether the image becomes as wanted within a short while, where it need not."""
        return await self._within(WATCH_S, lambda: holds(self.seen))

    async def _within(self, limit_s: float, holds: Callable[[], bool]) -> bool:
        with suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                while not holds():
                    self._news.clear()
                    await self._news.wait()
                return True
        return holds()

    def answer(self, order: int) -> OrderAnswered | None:
        """What became of an order, where the station said so."""
        found = (e for e in self._events if isinstance(e, OrderAnswered) and e.order == order)
        return next(found, None)

    def _answers(self) -> str:
        answer = self.answer(self._order)
        return (
            f"; order {self._order} {answer.outcome}: {answer.why or 'no reason given'}"
            if answer
            else ""
        )

    def results(self, run_id: str) -> list[ResultArrived]:
        """The results that came for a run, or without a name, where a station has no other way."""
        names = (run_id, run_id.rpartition("-")[2], "")
        return [e for e in self._events if isinstance(e, ResultArrived) and e.run_id in names]

    def newest_result(self) -> ResultArrived | None:
        """The result that came last, of whatever run."""
        found = (e for e in reversed(self._events) if isinstance(e, ResultArrived))
        return next(found, None)

    async def may_move(self, what: str) -> None:
        """Ask before something moves.

        Raises:
            NotDone: the person does not agree.
        """
        if not await self.person.agrees(what):
            message = "the person did not agree"
            raise NotDone(message)

    async def asks(self, act: Act, request: str) -> None:
        """Have something done at the station.

        Raises:
            NotDone: it cannot be done.
        """
        if not await self.person.does(act, request):
            message = f"nobody could do it: {request}"
            raise NotDone(message)
        self.note("done at the station", request)

    def needs_visit(self) -> Visit:
        """The run that the walk makes.

        Raises:
            NotDone: there is no program for this station.
        """
        if self.visit is None:
            message = "no program is declared for this station"
            raise NotDone(message)
        return self.visit

    def prepare_goal(self) -> PrepareProgram:
        """The order that prepares the program."""
        program = self.needs_visit().program
        return PrepareProgram(
            order=self.order(),
            station=self.station.station,
            program=program.program,
            name=program.name,
            number=program.number,
            revision=program.revision,
            part_type=program.part_type,
        )

    def start_goal(self) -> StartRun:
        """The order that starts the run."""
        visit = self.needs_visit()
        program = visit.program
        return StartRun(
            order=self.order(),
            station=self.station.station,
            run_id=visit.run_id,
            run_no=visit.run_no,
            program=program.program,
            name=program.name,
            number=program.number,
            revision=program.revision,
            part_type=program.part_type,
            serial=visit.serial,
            pallet="walk",
        )

    def door_goal(self, door: Literal["open", "closed"]) -> SetDoor:
        """The order that moves the door."""
        return SetDoor(order=self.order(), station=self.station.station, door=door)

    @property
    def door_s(self) -> float:
        """How long a door may take, in real seconds."""
        return max(self.station.door_ms_max / 1000 / self._speed, REFUSE_S_MAX)

    @property
    def start_s(self) -> float:
        """How long preparing or starting may take, in real seconds."""
        return max(self.station.start_ms_max / 1000 / self._speed, REFUSE_S_MAX)

    @property
    def result_s(self) -> float:
        """How long the run may take, in real seconds."""
        expected_ms = self.needs_visit().program.result_ms * float(self.station.late_factor)
        return max(expected_ms / 1000 / self._speed, REFUSE_S_MAX)

    async def begins_all_the_same(self, order: int) -> bool:
        """Whether work begins after a start that has to be refused: watched until the refusal, and a while longer."""

        def begun() -> bool:
            return self.seen.work in WORKING

        await self._within(REFUSE_S_MAX, lambda: begun() or self.answer(order) is not None)
        return begun() or await self._within(WATCH_S, begun)

    def start_was_refused(self, order: int) -> None:
        """Judge a start that had to be refused; nothing else stood in its way."""
        answer = self.answer(order)
        self.note("answer", "none" if answer is None else f"{answer.outcome}: {answer.why}")
        if answer is None or answer.outcome != "refused":
            self.note("remark", "the station did not start, but did not say either that it refuses")

    async def stop_what_runs(self) -> None:
        """End a run that should not have begun."""
        self.give(
            AbortRun(
                order=self.order(),
                station=self.station.station,
                run_id=self.needs_visit().run_id,
            )
        )
        await self._within(self.start_s, lambda: self.seen.work not in WORKING)

    # --- the walk ---------------------------------------------------------------------------------------------------------

    async def run(self, steps: "tuple[Question, ...]") -> tuple[Step, ...]:
        """Ask every question; the station is let go at the end, however it ends."""
        driving = asyncio.create_task(self.adapter.run(self._take))
        try:
            first = [await self._one(question) for question in steps[:1]]
            up = self._seen is not None and self._seen.link == "up"
            lacks = "" if up else "there was no connection"  # nobody is asked to do anything for it
            return (*first, *[await self._one(question, lacks) for question in steps[1:]])
        finally:
            driving.cancel()
            await asyncio.gather(driving, return_exceptions=True)

    async def _one(self, question: "Question", lacks: str = "") -> Step:
        self._observations, self._step_began_s = [], asyncio.get_running_loop().time()
        self._warnings = []
        began = _now()
        verdict, why = ("not done", lacks) if lacks else await self._answered(question)
        step = _step(question, verdict, why, began, self._step_began_s, self._observations)
        self.person.told(step)
        return step

    async def _answered(self, question: "Question") -> tuple[Verdict, str]:
        try:
            await question.check(self)
        except StepFailed as failed:
            return "failed", str(failed)
        except NotDone as not_done:
            return "not done", str(not_done)
        return "passed", "; ".join(self._warnings)

    def _take(self, event: Event) -> None:
        """Called by the adapter with each fact."""
        self._events.append(event)
        if isinstance(event, StationObserved):
            self._note_changes(self._seen, event)
            self._seen = event
        elif isinstance(event, ResultArrived):
            self.note("result", f"run {event.run_id}, {len(event.values)} values")
        elif isinstance(event, OrderAnswered):
            self.note(f"order {event.order} {event.outcome}", event.why)
        self._news.set()

    def _note_changes(self, before: StationObserved | None, now: StationObserved) -> None:
        for name, title in SHOWN.items():
            old, new = getattr(before, name, None), getattr(now, name)
            if old != new:
                self.note(title, _said(new) if old is None else f"{_said(old)} → {_said(new)}")


@value
class Question:
    """One step of the walk: what it is called, what is expected, and how it is asked."""

    name: str
    title: str
    expected: str
    check: Check


def _step(
    question: Question,
    verdict: Verdict,
    why: str,
    began: str,
    began_s: float,
    observations: list[Observation],
) -> Step:
    return Step(
        name=question.name,
        title=question.title,
        expected=question.expected,
        verdict=verdict,
        why=why,
        began=began,
        lasted_s=round(asyncio.get_running_loop().time() - began_s, 3),
        observations=tuple(observations),
    )


def _said(shown: object) -> str:
    return "none" if shown in ("", -1) else str(shown)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _image(seen: StationObserved | None) -> str:
    if seen is None:
        return "nothing"
    return ", ".join(f"{name} {getattr(seen, name)}" for name in ("link", *FACETS))


def _words(goal: Goal) -> str:
    match goal:
        case SetDoor():
            return f"door {goal.door}"
        case PrepareProgram():
            return f"prepare {goal.name} revision {goal.revision}"
        case StartRun():
            return f"start run {goal.run_id} with {goal.name} for part {goal.serial}"
        case AbortRun():
            return f"abort run {goal.run_id}"
        case AcknowledgeResult():
            return f"acknowledge result of run {goal.run_id}"
        case _:
            return type(goal).__name__
