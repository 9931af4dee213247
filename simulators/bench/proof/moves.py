"""Everything that can happen in a state: machines go on, messages arrive, waits end, people act, trouble comes.

Rules of this file:
- A move that costs nothing of the budget is the world's ordinary course. From every state the ordinary course must lead to an empty
  cell: that is how liveness is judged.
- A wait ends by itself once its machine has come to rest without what is waited for. If it ends before, the machine is late, and
  that is trouble.
"""

from collections.abc import Callable, Iterator

from simulators.bench.proof import images
from simulators.bench.proof.people import (
    Move,
    answers,
    daily,
    help_asked_for,
    interventions,
)
from simulators.bench.proof.play import Play
from simulators.bench.proof.truth import Kept, Lag
from supervisor.core.events import TimerFired


def possible(play: Play) -> Iterator[Move]:
    """What can happen next; the moves are to be acted on other plays of the same state."""
    yield from _stations(play)
    yield from _handler(play)
    yield from _on_the_way(play)
    yield from _waits(play)
    yield from answers(play)
    yield from help_asked_for(play)
    yield from daily(play)
    yield from _connections(play)
    yield from _trouble(play)


# --- machines -------------------------------------------------------------------------------------------------------------------


def _stations(play: Play) -> Iterator[Move]:
    for at, station in enumerate(play.world.stations):
        name = play.names.stations[at]
        if station.door in ("opening", "closing"):
            yield Move(f"the door of {name} arrives", _swing(at))
        if play.world.step_of(at):
            yield Move(f"{name} goes on from {station.work}", _step(at))


def _swing(at: int) -> Callable[[Play], None]:
    return lambda play: play.world.swing(at)


def _step(at: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        ways = ["goes on"]
        if play.left.allows("fault") and play.world.step_of(at) != "loading":
            ways.append("breaks off")
        if play.choose(*ways) == "goes on":
            play.step_station(at)
        else:
            play.spend("fault", f"the run of {play.names.stations[at]} breaks off")
            play.world.break_off(at)

    return act


def _handler(play: Play) -> Iterator[Move]:
    handler = play.world.handler
    if handler.step and handler.mode == "automatic":
        yield Move(f"the handler goes on: {handler.action} at {handler.place}", _step_handler)


def _step_handler(play: Play) -> None:
    ways = ["goes on"]
    if play.left.allows("fault"):
        ways.append("fails")
    if play.choose(*ways) == "goes on":
        play.world.step_handler()
    else:
        play.spend("fault", "the handler fails")
        play.world.fail_handler()


# --- messages -------------------------------------------------------------------------------------------------------------------


def _on_the_way(play: Play) -> Iterator[Move]:
    for machine, channel in enumerate(play.channels):
        if channel:
            yield Move(f"arrives late: {type(channel[0].goal).__name__}", _arrive(machine))
    for machine, lag in enumerate(play.lags):
        if lag is not None:
            yield from _lag(machine, lag)
    for at, kept in enumerate(play.kept):
        yield Move(f"arrives late: {images.in_words(kept.fact)}", _deliver(at, kept))


def _arrive(machine: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        order, *rest = play.channels[machine]
        play.channels[machine] = tuple(rest)
        play.carry_out(machine, order)

    return act


def _lag(machine: int, lag: Lag) -> Iterator[Move]:
    def arrives(play: Play) -> None:
        play.lags[machine] = None
        play.see(machine, lag.image)

    def overtaken(play: Play) -> None:
        play.lags[machine] = Lag(kind="copy", image=images.older(lag.image))
        play.see(machine, play.image(machine))

    def skipped(play: Play) -> None:
        play.lags[machine] = None

    yield Move(f"the late image arrives: {images.in_words(lag.image)}", arrives)
    if lag.kind == "lagging":
        yield Move("a newer image overtakes the late one", overtaken)
        yield Move("a newer image arrives instead of the late one", skipped)


def _deliver(at: int, kept: Kept) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        del play.kept[at]
        play.tell(kept.fact)

    return act


# --- waits ------------------------------------------------------------------------------------------------------------------------


def _waits(play: Play) -> Iterator[Move]:
    for timer in play.believed.timers:
        if timer == "routing" or timer.startswith("stranded ") or _is_over(play, timer):
            yield Move(f"a wait ends: {timer}", _fire(timer))
        elif play.left.allows("late"):
            yield Move(f"a wait ends early: {timer}", _fire_early(timer))


def _fire(timer: str) -> Callable[[Play], None]:
    return lambda play: play.tell(TimerFired(timer=timer))


def _fire_early(timer: str) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.spend("late", f"{timer} is late")
        play.tell(TimerFired(timer=timer))

    return act


def _is_over(play: Play, timer: str) -> bool:
    """Whether what a timer waits for will not come by itself any more."""
    kind, _, rest = timer.partition(" ")
    named = rest.removeprefix("of ").removeprefix("at ")
    if kind == "handler":
        machine, moving = play.names.handler, bool(play.world.handler.step)
        moving = moving and play.world.handler.mode == "automatic"
    elif kind in ("place", "tag"):
        machine, moving = play.names.reader, False
    else:
        machine = play.names.station[named]
        station = play.world.stations[machine]
        moving = kind == "door" and station.door in ("opening", "closing")
        moving = moving or (kind in ("run", "program") and bool(play.world.step_of(machine)))
    lag = play.lags[machine]
    on_the_way = bool(play.channels[machine]) or (lag is not None and lag.kind == "lagging")
    return not moving and not on_the_way and all(each.machine != machine for each in play.kept)


# --- connections ------------------------------------------------------------------------------------------------------------------


def _connections(play: Play) -> Iterator[Move]:
    for machine in range(play.names.reader + 1):
        if not play.up(machine):
            yield Move(f"machine {machine} is connected", _connect(machine))


def _connect(machine: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.connect(machine)
        play.see(machine, play.image(machine))

    return act


def _trouble(play: Play) -> Iterator[Move]:
    left = play.left
    if left.allows("loss"):
        for machine in range(play.names.reader + 1):
            if play.up(machine):
                yield Move(f"the connection of machine {machine} is lost", _cut(machine))
    if left.allows("restart"):
        yield Move("the supervisor starts anew", _restart_supervisor)
        for machine in range(play.names.reader):
            yield Move(f"machine {machine} starts anew", _restart(machine))
    if left.allows("fault"):
        yield from _faults(play)
    if left.allows("hand"):
        yield from interventions(play)


def _faults(play: Play) -> Iterator[Move]:
    for at, station in enumerate(play.world.stations):
        name = play.names.stations[at]
        if station.mode == "automatic":
            yield Move(f"{name} has a fault", _fault(at))
        if station.gate == "no":
            yield Move(f"{name} is due for calibration", _due(at))


def _cut(machine: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.spend("loss", f"machine {machine} is cut off")
        play.cut(machine)

    return act


def _restart_supervisor(play: Play) -> None:
    play.spend("restart", "the supervisor starts anew")
    play.start_supervisor()


def _restart(machine: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.spend("restart", f"machine {machine} starts anew")
        play.restart(machine)

    return act


def _fault(at: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.spend("fault", f"{play.names.stations[at]} has a fault")
        if play.world.stations[at].work == "running":
            play.world.break_off(at)
        play.touch(play.names.stations[at], "mode")
        play.world.change(at, mode="fault")

    return act


def _due(at: int) -> Callable[[Play], None]:
    def act(play: Play) -> None:
        play.spend("fault", f"{play.names.stations[at]} is due for calibration")
        play.touch(play.names.stations[at], "mode")
        play.world.change(at, gate="yes")

    return act
