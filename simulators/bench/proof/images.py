"""What the core is told of the abstract world: images, results, tags, and all facts in words.

Rules of this file: translation only. Clocks of sources: 2 for a present image, 0 for one that was overtaken (see ``form``).
"""

from functools import lru_cache

from simulators.bench.proof.form import run_name
from simulators.bench.proof.machines import Names, World
from simulators.bench.proof.truth import NOBODY, Handler, Station
from supervisor.cell.value import replace
from supervisor.core.commands import Goal, ReadTag
from supervisor.core.events import (
    Door,
    Event,
    HandlerObserved,
    HoldReleased,
    OrderAnswered,
    PlacesObserved,
    Presence,
    ResultArrived,
    StationObserved,
    TagRead,
    TimerFired,
    Work,
)
from supervisor.core.state import CellState
from supervisor.verdict.result import MeasuredValue

PRESENT, OVERTAKEN = 2, 0

DOOR: dict[str, Door] = {
    "closed": "closed",
    "opening": "moving",
    "open": "open",
    "closing": "moving",
    "none": "none",
}
WORK: dict[str, Work] = {
    "idle": "idle",
    "loading": "idle",
    "prepared": "prepared",
    "running": "running",
    "part free": "part free",
    "finished": "finished",
    "aborted": "aborted",
}


def of(names: Names, world: World, machine: int) -> Event:
    """How a machine looks now."""
    if machine == names.reader:
        return _places(names, tuple(world.floor))
    if machine == names.handler:
        return _handler(world.handler, tuple(_presence(world.at(jaw)) for jaw in names.jaws))
    echoes = names.cell.kinds[machine].echo == "run id"
    name = names.stations[machine]
    return _station(name, world.stations[machine], _presence(world.at(name)), echoes)


def _presence(part: int) -> Presence:
    return "empty" if part == NOBODY else "occupied"


@lru_cache(maxsize=100_000)
def _station(name: str, station: Station, nest: Presence, echoes: bool) -> StationObserved:  # noqa: FBT001 - private, cached
    prepared = station.work != "loading"
    return StationObserved(
        station=name,
        source_ms=PRESENT,
        boot=station.boot,
        link="up",
        mode=station.mode,
        door=DOOR[station.door],
        nest=nest,
        work=WORK[station.work],
        run_id=run_name(station.run) if echoes else "",
        serial=station.named if echoes else "",
        program=station.program if echoes and prepared else "",
        counter=-1 if echoes else station.counter,
        gate="calibration is due" if station.gate == "yes" else "",
    )


@lru_cache(maxsize=100_000)
def _handler(handler: Handler, jaws: tuple[Presence, ...]) -> HandlerObserved:
    return HandlerObserved(
        source_ms=PRESENT,
        boot=handler.boot,
        link="up",
        mode=handler.mode,
        order=handler.order,
        phase=handler.phase,
        inside=handler.inside,
        at=handler.at,
        jaws=jaws,
        why="",
    )


@lru_cache(maxsize=10_000)
def _places(names: Names, floor: tuple[int, ...]) -> PlacesObserved:
    presence: tuple[tuple[str, Presence], ...] = tuple(
        (place, _presence(floor[names.spot[place]])) for place in names.places
    )
    return PlacesObserved(reader="rack", source_ms=PRESENT, boot="1", link="up", presence=presence)


def gone(names: Names, machine: int) -> Event:
    """A machine that is not connected any more."""
    if machine == names.reader:
        presence: tuple[tuple[str, Presence], ...] = tuple(
            (place, "unknown") for place in names.places
        )
        return PlacesObserved(
            reader="rack", source_ms=PRESENT, boot="1", link="down", presence=presence
        )
    if machine == names.handler:
        return HandlerObserved(
            source_ms=PRESENT,
            boot="1",
            link="down",
            mode="unknown",
            order=0,
            phase="unknown",
            inside="unknown",
            at="",
            jaws=("unknown",) * len(names.jaws),
            why="",
        )
    return StationObserved(
        station=names.stations[machine],
        source_ms=PRESENT,
        boot="1",
        link="down",
        mode="unknown",
        door="unknown",
        nest="unknown",
        work="unknown",
        run_id="",
        serial="",
        program="",
        counter=-1,
        gate="",
    )


def result(names: Names, world: World, at: int) -> ResultArrived:
    """The result that a station has."""
    station = world.stations[at]
    given = station.result
    assert given is not None
    echoes = world.echoes(at)
    value = MeasuredValue(
        number=str(at + 1),
        value=names.cell.parts[given.part].value,
        unit="mm",
        quality="good",
    )
    return ResultArrived(
        station=names.stations[at],
        source_ms=PRESENT,
        boot=station.boot,
        result_id=f"r{given.run}",
        run_id=run_name(given.run) if echoes else "",
        serial=given.named if echoes else "",
        counter=-1 if echoes else given.counter,
        scope="final",
        values=(value,),
    )


def tag(names: Names, world: World, goal: ReadTag) -> TagRead:
    """What a reader finds at a place."""
    part = world.at(goal.place)
    payload = "" if part == NOBODY else names.cell.parts[part].payload
    status = "read" if payload else "no tag"
    return TagRead(
        order=goal.order,
        reader=goal.reader,
        place=goal.place,
        status=status,
        payload=payload,
        why="",
    )


def older(image: Event) -> Event:
    """The same image once a newer one may have overtaken it."""
    assert isinstance(image, StationObserved | HandlerObserved | PlacesObserved)
    return replace(image, source_ms=OVERTAKEN)


def is_same(image: Event, other: Event) -> bool:
    """Whether two images show the same."""
    return older(image) == older(other)


def is_known(state: CellState, image: Event) -> bool:
    """Whether the core has seen an image already, as far as its state tells."""
    match image:
        case StationObserved():
            seen = state.stations[image.station]
            return (
                seen.link,
                seen.boot,
                seen.mode,
                seen.door,
                seen.nest,
                seen.work,
                seen.run_id,
                seen.serial,
                seen.program,
                seen.counter,
                seen.gate,
            ) == (
                image.link,
                image.boot,
                image.mode,
                image.door,
                image.nest,
                image.work,
                image.run_id,
                image.serial,
                image.program,
                image.counter,
                image.gate,
            )
        case HandlerObserved():
            arm = state.handler
            return (
                arm.link,
                arm.boot,
                arm.mode,
                arm.order,
                arm.phase,
                arm.inside,
                arm.jaws_seen,
                arm.at if image.at else "",
            ) == (
                image.link,
                image.boot,
                image.mode,
                image.order,
                image.phase,
                image.inside,
                image.jaws,
                image.at,
            )
        case PlacesObserved():
            return state.readers[image.reader].link == "up" and all(
                state.places[place].presence == presence for place, presence in image.presence
            )
        case _:
            raise AssertionError(image)


def in_words(event: Event) -> str:
    """A fact for people."""
    match event:
        case StationObserved() | HandlerObserved() | PlacesObserved():
            return _image_in_words(event)
        case OrderAnswered():
            return f"order {event.order} is answered: {event.outcome}"
        case ResultArrived():
            return f"{event.station}: result {event.result_id}"
        case TagRead():
            return f"tag at {event.place}: {event.status}"
        case TimerFired():
            return f"timer: {event.timer}"
        case HoldReleased():
            return f"a person answers {event.hold}: {event.answer}"
        case _:
            return type(event).__name__


def _image_in_words(image: StationObserved | HandlerObserved | PlacesObserved) -> str:
    match image:
        case StationObserved():
            shown = f"{image.link} {image.mode} door {image.door} nest {image.nest} {image.work}"
            return f"{image.station}: {shown} {image.run_id} {image.program}@{image.source_ms}"
        case HandlerObserved():
            shown = f"{image.link} {image.mode} order {image.order} {image.phase}"
            return (
                f"handler: {shown} inside {image.inside or '-'} jaws {image.jaws}@{image.source_ms}"
            )
        case PlacesObserved():
            there = [place for place, presence in image.presence if presence == "occupied"]
            return f"reader: {image.link} {there}@{image.source_ms}"


def goal_in_words(goal: Goal) -> str:
    """A goal for people."""
    return repr(goal)
