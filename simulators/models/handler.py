"""What carries pallets: a gantry along a rail with one or two jaws, timed in steps.

Rules of this file:
- One order at a time; an order is a row of steps (travel, enter, grip, set down, leave), each with a duration and an effect at its
  end, entering with its effect at its beginning. An order number is executed at most once, over a restart too.
- Before the arm enters a station it looks: a door that is not fully open or a running station is a violation, and the arm stays out.
  So is picking from an empty place, setting down on an occupied one, and a jaw that is full or empty at the wrong moment.
- A failed order ends outside of every station: the arm leaves before it reports "failed".
- Led with a fencing number it needs a permit, which runs out unless it is renewed. Without one it takes no order, and the arm neither
  departs nor enters a station; once inside it finishes its stop, because outside is where it is in nobody's way. It goes on when the
  permit is back. A lower fencing number than the highest it has seen changes nothing, over a restart too.
- Out of automatic the arm stands still where it is and goes on when it is back.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal

from simulators.models.agenda import Agenda
from simulators.models.floor import Fact, Floor
from simulators.models.physics import Physics

Mode = Literal["off", "manual", "automatic", "fault"]
Phase = Literal["none", "accepted", "busy", "done", "failed"]
Permit = Literal["not needed", "given", "ran out"]
OrderStatus = Literal["accepted", "refused", "known"]
KNOWN_MAX = 1_000
"""How many order numbers are remembered besides the last one."""
TAKE_UP_MS = 50
"""From accepting an order to the first movement (our choice)."""

WAITING_STEPS = ("travel", "enter")
"""What the arm does not begin without a permit."""

Act = Callable[[], str]
"""Something physical; returns "" or why it failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderAnswer:
    """What the handler says to an order at once."""

    status: OrderStatus
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandlerImage:
    """Everything that can be seen of the handler from outside, as levels. ``order`` 0 and ``phase`` none: no order since its start."""

    mode: Mode
    order: int
    phase: Phase
    text: str
    inside: str
    at: str
    jaws: tuple[bool, ...]
    permit: Permit = "not needed"
    fence: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    name: str
    duration_ms: int
    begin: Act
    end: Act


class HandlerModel:
    """The handler of one cell. It starts where the floor says the arm is, in automatic, with no order."""

    def __init__(self, physics: Physics, *, floor: Floor) -> None:
        self._who = physics.handler.handler
        self._physics = physics
        self._floor = floor
        self._agenda = Agenda()
        self._stations = {entry.station for entry in physics.stations}
        self._steps: list[_Step] = []
        self._mode: Mode = "automatic"
        self._order = 0
        self._phase: Phase = "none"
        self._text = ""
        self._failing = 0
        arm = floor.arm()
        self._at = arm.inside
        self._at_mm = physics.handler.home_mm if arm.at_mm is None else arm.at_mm
        self._known = {arm.last_order: None} if arm.last_order else {}
        self._last_order = arm.last_order
        self._fence = arm.fence
        self._permit: Permit = "ran out" if arm.fence else "not needed"
        self._waits = False
        self._jaws = physics.jaws
        self._seen: object = None
        self._image = self._look(arm.inside, tuple(False for _ in self._jaws))

    # --- time and what can be seen ---

    def due_ms(self) -> int | None:
        """The next moment something happens by itself; None if nothing will."""
        return self._agenda.due_ms()

    def advance(self, now_ms: int) -> None:
        """Bring the handler up to ``now_ms``."""
        self._agenda.advance(now_ms)

    def image(self) -> HandlerImage:
        """What can be seen now; the same image as before as long as nothing has changed."""
        inside = self._floor.arm().inside
        jaws = tuple([self._floor.pallet_at(jaw) != "" for jaw in self._jaws])
        led = (self._permit, self._fence)
        seen = (self._mode, self._order, self._phase, self._text, inside, self._at, jaws, led)
        if seen != self._seen:
            self._seen = seen
            self._image = self._look(inside, jaws)
        return self._image

    def _look(self, inside: str, jaws: tuple[bool, ...]) -> HandlerImage:
        return HandlerImage(
            mode=self._mode,
            order=self._order,
            phase=self._phase,
            text=self._text,
            inside=inside,
            at=self._at,
            jaws=jaws,
            permit=self._permit,
            fence=self._fence,
        )

    # --- orders ---

    def move(
        self, fence: int, order: int, action: str, place: str, pick_jaw: int, put_jaw: int
    ) -> OrderAnswer:
        """Take an order of whoever leads with this fencing number; otherwise as ``execute``."""
        why = self._why_not_led(fence)
        answer = (
            OrderAnswer(status="refused", text=why)
            if why
            else self._take(order, action, place, pick_jaw, put_jaw)
        )
        self._witness({"fact": "ordered", "order": order, "fence": fence, "answer": answer.status})
        return answer

    def execute(
        self, order: int, action: str, place: str, pick_jaw: int, put_jaw: int
    ) -> OrderAnswer:
        """Take an order: "approach", "pick", "put" or "swap" at a place, with jaws from 1 (0 = unused)."""
        if self._fence:
            text = f"it is led with fence {self._fence}, and an order without is not taken"
            return OrderAnswer(status="refused", text=text)
        return self._take(order, action, place, pick_jaw, put_jaw)

    def _take(
        self, order: int, action: str, place: str, pick_jaw: int, put_jaw: int
    ) -> OrderAnswer:
        if order in self._known:
            return OrderAnswer(status="known", text=f"order {order} is known")
        why = self._why_not(order, action, place, (pick_jaw, put_jaw))
        if why:
            return OrderAnswer(status="refused", text=why)
        self._remember(order)
        self._order, self._phase, self._text = order, "accepted", ""
        self._steps = self._plan(action, place, f"jaw-{pick_jaw}", f"jaw-{put_jaw}")
        self._begin_step()
        return OrderAnswer(status="accepted", text="")

    # --- who leads ---

    def renew(self, fence: int, lasts_ms: int) -> OrderAnswer:
        """Go on beginning motions for ``lasts_ms``, for whoever leads with this fencing number."""
        if fence < max(self._fence, 1):
            text = f"fence {fence} is lower than {max(self._fence, 1)}"
            return OrderAnswer(status="refused", text=text)
        if fence > self._fence:
            self._fence = fence
            self._floor.retain_fence(fence)
        self._agenda.plan("permit", lasts_ms, self._run_out)
        self._give("given")
        if self._waits:
            self._waits = False
            self._begin_step()
        return OrderAnswer(status="accepted", text="")

    def _why_not_led(self, fence: int) -> str:
        if fence < self._fence:
            return f"fence {fence} is lower than {self._fence}"
        if fence > self._fence or self._permit != "given":
            return f"fence {fence} has no permit: it was not renewed in time"
        return ""

    def _run_out(self) -> None:
        self._give("ran out")

    def _give(self, permit: Permit) -> None:
        if permit != self._permit:
            self._permit = permit
            self._witness({"fact": "permit", "fence": self._fence, "permit": permit})

    def _witness(self, fact: Fact) -> None:
        self._floor.witness(at_ms=self._agenda.now_ms, who=self._who, fact=fact)

    # --- whether an order can be taken ---

    def _why_not(self, order: int, action: str, place: str, jaws: tuple[int, int]) -> str:
        count = len(self._physics.jaws)
        needed = {"approach": (), "pick": jaws[:1], "put": jaws[1:], "swap": jaws}
        why = ""
        if self._mode != "automatic":
            why = f"mode is {self._mode}"
        elif self._phase in {"accepted", "busy"}:
            why = f"order {self._order} is under way"
        elif order <= self._last_order:
            why = f"order {order} is older than {self._last_order}"
        elif action not in needed:
            why = f"no action {action!r}"
        elif place not in self._physics.at_mm:
            why = f"no place {place!r}"
        elif not all(1 <= jaw <= count for jaw in needed[action]):
            why = f"{action} with jaws {jaws}, there are {count}"
        elif action == "swap" and jaws[0] == jaws[1]:
            why = "a swap needs two jaws"
        return why

    def _remember(self, order: int) -> None:
        self._last_order = order
        self._known[order] = None
        if len(self._known) > KNOWN_MAX:
            del self._known[next(iter(self._known))]
        self._floor.retain_order(order)

    # --- what befalls it: thrown by benches and tests ---

    def befall(self, mode: Mode) -> None:
        """A person turns the key, or it finds a fault: the arm stands still until it is back in automatic."""
        self._mode = mode
        if mode == "automatic":
            self._agenda.resume("step")
        else:
            self._agenda.suspend("step")

    def fail_next(self) -> None:
        """The next step at a place fails: a gripper that does not close, a pallet that sits askew."""
        self._failing += 1

    def lead_out(self) -> None:
        """A person moves the arm clear of every station; not while an order is under way."""
        if self._phase not in {"accepted", "busy"}:
            self._floor.leave()

    # --- steps ---

    def _plan(self, action: str, place: str, pick_jaw: str, put_jaw: str) -> list[_Step]:
        times = self._physics.handler
        travel_ms = abs(self._physics.at_mm[place] - self._at_mm) * 1000 // times.speed_mm_s
        arrive = partial(self._arrive, place)
        approach = [
            _Step(name="take up", duration_ms=TAKE_UP_MS, begin=_nothing, end=_nothing),
            _Step(name="travel", duration_ms=travel_ms, begin=self._depart, end=arrive),
        ]
        pick: Act = partial(self._carry, place, pick_jaw)
        put: Act = partial(self._carry, put_jaw, place)
        match action:
            case "pick":
                return approach + self._stop(place, [pick], times.pick_ms)
            case "put":
                return approach + self._stop(place, [put], times.put_ms)
            case "swap":
                return approach + self._stop(place, [pick, put], times.swap_ms)
            case _:
                return approach

    def _stop(self, place: str, acts: list[Act], total_ms: int) -> list[_Step]:
        part_ms = total_ms // (len(acts) + 2)
        last_ms = total_ms - part_ms * (len(acts) + 1)
        enter = partial(self._enter, place if place in self._stations else "")
        return [
            _Step(name="enter", duration_ms=part_ms, begin=enter, end=_nothing),
            *(_Step(name="act", duration_ms=part_ms, begin=_nothing, end=act) for act in acts),
            _Step(name="leave", duration_ms=last_ms, begin=_nothing, end=self._leave),
        ]

    def _begin_step(self) -> None:
        if not self._steps:
            self._phase = "failed" if self._text else "done"
            return
        step = self._steps[0]
        if step.name in WAITING_STEPS and self._permit == "ran out":
            self._waits = True
            return
        failure = step.begin()
        if failure:
            self._fail(failure)
            return
        self._agenda.plan("step", step.duration_ms, self._end_step)

    def _end_step(self) -> None:
        self._phase = "busy"
        step = self._steps.pop(0)
        failure = step.end()
        if failure:
            self._fail(failure)
        else:
            self._begin_step()

    def _fail(self, why: str) -> None:
        self._text = why
        inside = self._floor.arm().inside
        self._steps = [step for step in self._steps if inside and step.name == "leave"]
        self._begin_step()

    def _depart(self) -> str:
        if self._steps[0].duration_ms:
            self._at = ""
        return ""

    def _arrive(self, place: str) -> str:
        self._at, self._at_mm = place, self._physics.at_mm[place]
        self._floor.park(self._at_mm)
        return ""

    def _enter(self, station: str) -> str:
        if not station:
            return ""
        obstacle = self._floor.enter(station)
        if obstacle:
            self._violation(f"enters {station}, but {obstacle}")
        return obstacle

    def _leave(self) -> str:
        self._floor.leave()
        return ""

    def _carry(self, source: str, target: str) -> str:
        if self._failing:
            self._failing -= 1
            return f"could not take hold between {source} and {target}"
        pallet = self._floor.pallet_at(source)
        why = self._floor.move(source, target)
        if why:
            self._violation(f"moves from {source} to {target}, but {why}")
            return why
        fact = {
            "fact": "moved",
            "pallet": pallet,
            "source": source,
            "target": target,
            "order": self._order,
        }
        self._witness(fact)
        return ""

    def _violation(self, text: str) -> None:
        self._floor.violation(
            at_ms=self._agenda.now_ms, who=self._who, text=f"order {self._order} {text}"
        )


def _nothing() -> str:
    return ""
