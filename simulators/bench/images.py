"""What machines show, as the facts that an adapter would make of it.

Rules of this file: translation only. A machine that cannot be reached shows nothing but that: every facet is unknown.
"""

from simulators.models.handler import HandlerImage
from simulators.models.station import Result, StationImage
from supervisor.core.events import (
    Door,
    HandlerObserved,
    Phase,
    PlacesObserved,
    ResultArrived,
    StationObserved,
    Work,
)
from supervisor.verdict.result import MeasuredValue

Stamp = tuple[int, str]
"""The source's clock in ms, and its boot identity."""

DOOR: dict[str, Door] = {
    "closed": "closed",
    "open": "open",
    "opening": "moving",
    "closing": "moving",
}
WORK: dict[str, Work] = {
    "idle": "idle",
    "prepared": "prepared",
    "acquiring": "running",
    "evaluating": "part free",
    "finished": "finished",
    "aborted": "aborted",
}
PHASE: dict[str, Phase] = {
    "none": "idle",
    "accepted": "accepted",
    "busy": "busy",
    "done": "done",
    "failed": "failed",
}


def station_seen(name: str, image: StationImage, stamp: Stamp) -> StationObserved:
    """The whole image of a station."""
    return StationObserved(
        station=name,
        source_ms=stamp[0],
        boot=stamp[1],
        link="up",
        mode=image.mode,
        door=DOOR[image.door],
        nest=image.nest,
        work=WORK[image.work],
        run_id=image.run_id,
        serial=image.serial,
        program=image.program.name if image.program else "",
        counter=image.count,
        gate="",
    )


def station_gone(name: str, stamp: Stamp) -> StationObserved:
    """A station that cannot be reached."""
    return StationObserved(
        station=name,
        source_ms=stamp[0],
        boot=stamp[1],
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


def result_seen(name: str, result: Result, stamp: Stamp) -> ResultArrived:
    """A finished run's result."""
    return ResultArrived(
        station=name,
        source_ms=stamp[0],
        boot=stamp[1],
        result_id=f"{stamp[1]}-{result.count}",
        run_id=result.run_id,
        serial=result.serial,
        counter=result.count,
        scope="final",
        values=tuple(
            MeasuredValue(
                number=each.number, value=each.value, unit=each.unit, quality=each.quality
            )
            for each in result.values
        ),
    )


def handler_seen(image: HandlerImage, stamp: Stamp) -> HandlerObserved:
    """The whole image of the handler."""
    return HandlerObserved(
        source_ms=stamp[0],
        boot=stamp[1],
        link="up",
        mode="unknown" if image.mode == "off" else image.mode,
        order=image.order,
        phase=PHASE[image.phase],
        inside=image.inside,
        at=image.at,
        jaws=tuple("occupied" if jaw else "empty" for jaw in image.jaws),
        why=image.text,
    )


def handler_gone(jaws: int, stamp: Stamp) -> HandlerObserved:
    """A handler that cannot be reached."""
    return HandlerObserved(
        source_ms=stamp[0],
        boot=stamp[1],
        link="down",
        mode="unknown",
        order=0,
        phase="unknown",
        inside="unknown",
        at="",
        jaws=("unknown",) * jaws,
        why="",
    )


def places_seen(reader: str, places: dict[str, bool], stamp: Stamp) -> PlacesObserved:
    """The whole image of a tag reader."""
    return PlacesObserved(
        reader=reader,
        source_ms=stamp[0],
        boot=stamp[1],
        link="up",
        presence=tuple(
            (place, "occupied" if there else "empty") for place, there in places.items()
        ),
    )


def places_gone(reader: str, places: tuple[str, ...], stamp: Stamp) -> PlacesObserved:
    """A tag reader that cannot be reached."""
    return PlacesObserved(
        reader=reader,
        source_ms=stamp[0],
        boot=stamp[1],
        link="down",
        presence=tuple((place, "unknown") for place in places),
    )
