"""What one simulator process is told, and the plan of a whole simulated cell.

Rules of this file: paths in a plan file are meant from the folder that the file lies in. Errors name file and field.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import msgspec

from simulators.models.physics import Physics

ServerKind = Literal["scan", "vision", "touch", "job", "ct", "handler", "rack", "autoid"]


class PlanError(ValueError):
    """The plan file is wrong; the text names the field."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """One server.

    ``station`` is its id (handler and reader have one too); port 0 = any free; ``shift`` = how many foreign namespaces come
    before its own.
    """

    kind: ServerKind
    station: str
    port: int = 0
    shift: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole simulated cell: physics file, floor file (made anew), speed factor, seed and servers.

    ``keys`` is a folder with key and certificate of each server, ``<station>.pem`` and ``<station>.der``; without one they have no security.
    """

    physics: Path
    floor: Path
    speed: float
    seed: int
    servers: tuple[Seat, ...]
    keys: Path | None = None


def load(path: Path) -> Plan:
    """Read a plan file; PlanError says what is wrong with it."""
    try:
        plan = msgspec.json.decode(path.read_bytes(), type=Plan, dec_hook=_path)
    except msgspec.DecodeError as error:
        raise PlanError(f"{path}: {error}") from error
    if plan.speed <= 0:
        raise PlanError(f"{path}: $.speed: expected a number above 0, found {plan.speed}")
    keys = None if plan.keys is None else path.parent / plan.keys
    return replace(
        plan, physics=path.parent / plan.physics, floor=path.parent / plan.floor, keys=keys
    )


def check(seats: tuple[Seat, ...], physics: Physics) -> None:
    """PlanError if a seat is for a machine that the physics file does not have."""
    known: dict[ServerKind, list[str]] = {
        "handler": [physics.handler.handler],
        "rack": [physics.reader.reader],
    }
    for kind in ("scan", "touch", "ct"):
        known[kind] = sorted(entry.station for entry in physics.stations if entry.kind == kind)
    known["vision"] = known["scan"]  # the same machines in other dialects
    known["job"] = known["touch"]
    known["autoid"] = known["rack"]
    problems = [
        f"server of kind {seat.kind}: expected one of {', '.join(known[seat.kind]) or 'none'}, found {seat.station!r}"
        for seat in seats
        if seat.station not in known[seat.kind]
    ]
    if problems:
        raise PlanError("\n".join(problems))


def _path(wanted: type, text: str) -> Path:
    assert wanted is Path, wanted
    return Path(text)
