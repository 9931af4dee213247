"""Faults of orders and facts on their way between core and machines.

Rules of this file:
- Facts are changed in a fixed order: first what a machine cannot tell at all, then what cannot be read just now, then how the fact
  travels. An adapter is one connection: what it reports after a loss never overtakes the loss.
- Orders of one machine arrive in the order in which they went out.
- A foreign result never carries a proof that would be believed: there is no telling it from a true one then.
"""

from collections.abc import Callable, Iterable, Mapping
from random import Random
from typing import Any, Literal, TypeVar

from simulators.bench.diary import Diary
from simulators.bench.faults import Strikes
from simulators.bench.stages import stage_of, step_of
from simulators.bench.world import World
from supervisor.cell.value import replace
from supervisor.core.commands import Goal
from supervisor.core.events import (
    Event,
    HandlerObserved,
    OrderAnswered,
    PlacesObserved,
    ResultArrived,
    StationObserved,
    TagRead,
)
from supervisor.verdict.result import MeasuredValue

Echo = Literal["names", "serial", "counter"]
"""What a station tells of a run: run id and serial number, the serial number, or nothing but how many results it gave."""

Image = StationObserved | HandlerObserved | PlacesObserved
Told = TypeVar("Told", StationObserved, ResultArrived)
Way = list[tuple[int, Event]]

IMAGE_LATE_MS_MAX = 4_000
"""Later than this, an adapter has lost its link (reliability: a dead link is found within 3 s)."""
ORDER_LATE_MS_MAX = 2_500
RESULT_LATE_MS_MAX = 40_000
NOTICE_MS_MAX = 3_000


class OnTheWire:
    """Everything between core and machines of one world. ``unread`` says by machine which facets cannot be read now."""

    def __init__(self, world: World, strikes: Strikes, echoes: Mapping[str, Echo]) -> None:
        self.diary = Diary()
        self.unread: dict[str, Callable[[Image], Image]] = {}
        self.gives: Callable[[ResultArrived], None] = lambda _result: None
        """Called with each true result as it leaves the station, before anything befalls it on its way."""
        self._world = world
        self._strikes = strikes
        self._echoes = echoes
        self._last: dict[str, ResultArrived] = {}
        self._values: dict[tuple[str, str], tuple[MeasuredValue, ...]] = {}
        self._busy: dict[str, int] = {}
        self._foreign = 0
        world.wire = self._wire
        world.goes_lost = self._goes_lost
        world.arrived = self._arrived

    def names_its_runs(self, station: str) -> bool:
        """Whether a station tells the id of the run that it works on."""
        return self._echoes[station] == "names"

    def cut(self, machine: str, draw: Random, *, for_ms_max: int) -> None:
        """A link is lost for a while, and noticed a little later."""
        self._world.sever(machine, notice_ms=draw.choice((0, draw.randrange(NOTICE_MS_MAX))))
        self._busy.pop(machine, None)
        back_ms = self._world.now_ms + draw.randrange(500, for_ms_max)
        self.diary.write(back_ms, lambda: self._mend(machine))

    def _mend(self, machine: str) -> None:
        if self._world.is_down(machine):
            self._world.mend(machine)

    # --- orders -----------------------------------------------------------------------------------------------------------------

    def _goes_lost(self, goal: Goal) -> bool:
        step = step_of(goal)
        machine = self._world.machine_of(goal)
        draw = self._strikes.strike("link-cut-before")
        if draw is not None:
            self._strikes.hit("link-cut-before", step)
            self.cut(machine, draw, for_ms_max=300_000)
            return True
        if self._strikes.strike("order-lost") is not None:
            self._strikes.hit("order-lost", step)
            return True
        draw = self._strikes.strike("order-refused")
        if draw is not None:
            self._strikes.hit("order-refused", step)
            self._world.answer(goal, "refused", draw.choice(("busy", "not now", "")))
            return True
        return self._goes_late(goal, machine, step)

    def _goes_late(self, goal: Goal, machine: str, step: str) -> bool:
        now_ms = self._world.now_ms
        behind_ms = self._busy.get(machine, 0)
        draw = self._strikes.strike("order-late")
        if draw is not None:
            self._strikes.hit("order-late", step)
            behind_ms = max(behind_ms, now_ms + draw.randrange(50, ORDER_LATE_MS_MAX))
        if behind_ms <= now_ms:
            return False
        self._busy[machine] = behind_ms
        self.diary.write(behind_ms, lambda: self._arrive_late(goal, machine, behind_ms))
        return True

    def _arrive_late(self, goal: Goal, machine: str, at_ms: int) -> None:
        if self._busy.get(machine, 0) >= at_ms and not self._world.is_down(machine):
            self._world.order(goal)
            self._arrived(goal)
            self._world.look()

    def _arrived(self, goal: Goal) -> None:
        machine = self._world.machine_of(goal)
        draw = self._strikes.strike("link-cut-during")
        if draw is not None:
            self._strikes.hit("link-cut-during", step_of(goal))
            self.cut(machine, draw, for_ms_max=300_000)
            return
        draw = self._strikes.strike("link-cut-after")
        if draw is not None:
            after_ms = self._world.now_ms + draw.randrange(1, 20_000)
            self.diary.write(after_ms, lambda: self._cut_after(goal, machine, draw))

    def _cut_after(self, goal: Goal, machine: str, draw: Random) -> None:
        if not self._world.is_down(machine):
            self._strikes.hit("link-cut-after", step_of(goal))
            self.cut(machine, draw, for_ms_max=300_000)
            self._world.look()

    # --- facts ------------------------------------------------------------------------------------------------------------------

    def _wire(self, fact: Event) -> Iterable[tuple[int, Event]]:
        match fact:
            case StationObserved() | HandlerObserved() | PlacesObserved():
                return self._image(fact)
            case ResultArrived():
                return self._result(fact)
            case TagRead():
                return self._tag(fact)
            case OrderAnswered():
                return self._answer(fact)
            case _:
                return ((0, fact),)

    def _image(self, fact: Image) -> Way:
        machine = machine_of(fact)
        if isinstance(fact, StationObserved):
            fact = _told(fact, self._echoes[machine])
        unread = self.unread.get(machine)
        shown = unread(fact) if unread else fact
        late = self._strikes.strike("image-late")
        if late is not None:
            self._strikes.hit("image-late", stage_of(self._world, machine))
            return [(late.randrange(1, IMAGE_LATE_MS_MAX), shown)]
        twice = self._strikes.strike("image-doubled")
        if twice is not None:
            self._strikes.hit("image-doubled", stage_of(self._world, machine))
            return [(0, shown), (twice.choice((0, twice.randrange(1, IMAGE_LATE_MS_MAX))), shown)]
        return [(0, shown), *self._stale(machine)]

    def _stale(self, machine: str) -> Way:
        """An earlier result of the station comes once more."""
        last = self._last.get(machine)
        if last is None:
            return []
        draw = self._strikes.strike("result-stale")
        if draw is None:
            return []
        self._strikes.hit("result-stale", stage_of(self._world, machine))
        return [(draw.choice((0, draw.randrange(1, RESULT_LATE_MS_MAX))), last)]

    def _result(self, fact: ResultArrived) -> Way:
        station = fact.station
        name = (station, fact.result_id)
        if name not in self._values:
            self._values[name] = self._measured(fact)
        fact = replace(fact, values=self._values[name])
        self.gives(fact)
        fact = _told(fact, self._echoes[station])
        way = [*self._before_result(fact), *self._result_itself(fact)]
        self._last[station] = fact
        return way

    def _measured(self, fact: ResultArrived) -> tuple[MeasuredValue, ...]:
        """The values as the station has them; read again, they are the same."""
        draw = self._strikes.strike("result-spoiled")
        if draw is None or not fact.values:
            return fact.values
        self._strikes.hit("result-spoiled", stage_of(self._world, fact.station))
        return _spoiled(fact.values, draw)

    def _before_result(self, fact: ResultArrived) -> Way:
        before: Way = []
        draw = self._strikes.strike("result-partial")
        if draw is not None:
            self._strikes.hit("result-partial", stage_of(self._world, fact.station))
            some = fact.values[: draw.randint(0, len(fact.values))]
            before.append((0, replace(fact, scope="partial", values=some)))
        draw = self._strikes.strike("result-foreign")
        if draw is not None:
            self._strikes.hit("result-foreign", stage_of(self._world, fact.station))
            self._foreign += 1
            before.append((0, _foreign(fact, draw, self._foreign)))
        return before

    def _result_itself(self, fact: ResultArrived) -> Way:
        stage = stage_of(self._world, fact.station)
        if self._strikes.strike("result-lost") is not None:
            self._strikes.hit("result-lost", stage)
            return []
        at_ms = 0
        late = self._strikes.strike("result-late")
        if late is not None:
            self._strikes.hit("result-late", stage)
            at_ms = late.randrange(1, RESULT_LATE_MS_MAX)
        twice = self._strikes.strike("result-doubled")
        if twice is None:
            return [(at_ms, fact)]
        self._strikes.hit("result-doubled", stage)
        return [(at_ms, fact), (at_ms + twice.choice((0, twice.randrange(1, 200_000))), fact)]

    def _tag(self, fact: TagRead) -> Way:
        garbled = self._strikes.strike("tag-garbled")
        if garbled is not None and fact.payload:
            self._strikes.hit("tag-garbled", "tag read")
            fact = replace(fact, payload=_garbled(fact.payload, garbled))
        if self._strikes.strike("tag-answer-lost") is not None:
            self._strikes.hit("tag-answer-lost", "tag read")
            return []
        late = self._strikes.strike("tag-answer-late")
        if late is not None:
            self._strikes.hit("tag-answer-late", "tag read")
            return [(late.randrange(1, 90_000), fact)]
        twice = self._strikes.strike("tag-answer-doubled")
        if twice is not None:
            self._strikes.hit("tag-answer-doubled", "tag read")
            return [(0, fact), (twice.randrange(1, 90_000), fact)]
        return [(0, fact)]

    def _answer(self, fact: OrderAnswered) -> Way:
        if self._strikes.strike("answer-lost") is not None:
            self._strikes.hit("answer-lost", fact.outcome)
            return [(0, replace(fact, outcome="unknown", why="no answer in time"))]
        twice = self._strikes.strike("answer-doubled")
        if twice is not None:
            self._strikes.hit("answer-doubled", fact.outcome)
            return [(0, fact), (twice.randrange(1, 30_000), fact)]
        return [(0, fact)]


def machine_of(image: Image) -> str:
    """Which machine an image is of."""
    match image:
        case StationObserved():
            return image.station
        case HandlerObserved():
            return "handler"
        case PlacesObserved():
            return image.reader


def _told(fact: Told, echo: Echo) -> Told:
    """A fact of a station that cannot tell everything."""
    match echo:
        case "names":
            return fact
        case "serial":
            return replace(fact, run_id="")
        case "counter":
            return replace(fact, run_id="", serial="")


def _spoiled(values: tuple[MeasuredValue, ...], draw: Random) -> tuple[MeasuredValue, ...]:
    """Values of which one may decide nothing, or is missing."""
    at = draw.randrange(len(values))
    one = values[at]
    instead = {
        "uncertain": (replace(one, quality="uncertain"),),
        "no number": (replace(one, value=None, quality="bad"),),
        "another unit": (replace(one, unit="[in_i]"),),
        "no unit": (replace(one, unit=""),),
        "twice": (one, one),
        "missing": (),
    }[draw.choice(("uncertain", "no number", "another unit", "no unit", "twice", "missing"))]
    return (*values[:at], *instead, *values[at + 1 :])


def _foreign(fact: ResultArrived, draw: Random, number: int) -> ResultArrived:
    """A result that looks like the present one and is not: its names or its counter are wrong."""
    wrong: dict[str, Any] = draw.choice(
        (
            {"run_id": "R999999", "serial": fact.serial},
            {"serial": "31415926"},
            {"run_id": "", "serial": "", "counter": fact.counter - 1},
            {"run_id": "", "serial": "", "counter": fact.counter + 1},
            {"run_id": "", "serial": "", "boot": "another start"},
            {"run_id": "", "serial": "", "counter": -1},
        )
    )
    values = tuple(replace(each, value=999.0) for each in fact.values)
    return replace(fact, result_id=f"foreign-{number}", values=values, **wrong)


def _garbled(payload: str, draw: Random) -> str:
    """The payload with one to three bits turned over, or cut short."""
    content = bytearray.fromhex(payload)
    if draw.random() < 0.3:  # noqa: PLR2004 - some readings end early
        return content[: draw.randrange(len(content))].hex()
    for _ in range(draw.randint(1, 3)):
        content[draw.randrange(len(content))] ^= 1 << draw.randrange(8)
    return content.hex()
