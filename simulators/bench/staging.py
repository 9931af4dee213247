"""The folder of one bench run: a copy of a declared cell at free addresses, the physics file, the plan of the simulators.

Rules of this file: the declared cell is never touched; everything that a run writes lies in its own folder.
"""

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec
from ruamel.yaml import YAML

from simulators.bench.parts import KINDS, pallets_for, physics_of
from simulators.bench.ports import free_ports
from simulators.models.physics import Pallet, StationKind, dump
from simulators.servers.seat import Plan, Seat, ServerKind
from supervisor.cell.load import load_cell
from supervisor.cell.model import Cell

SLACK_REAL_S = 5
DIALECTS: Mapping[str, ServerKind] = {"machine-vision": "vision", "gms": "job", "autoid": "autoid"}
"""The server that speaks a profile, where it is not the one that is named like the kind of machine."""
OWN: Mapping[StationKind, str] = {
    "scan": "scan-methods",
    "touch": "touch-datablock",
    "ct": "ct-pulse",
}
"""The profiles of the information models that no standard knows, by the kind of machine."""
OWN_READER = "rack-reader"


Dialects = Literal["declared", "own"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What a bench run is asked for. ``jaws`` 0 = as declared; ``bad_share`` of the parts are really nonconforming.

    ``dialects`` "own": whatever is declared, stations and reader speak information models of their own, which no standard knows.
    ``database`` "" = a file in the run's folder. ``between`` "a network": each machine has two addresses, one where the supervisor looks
    for it and one where it listens; whoever asks for this puts something between the two.
    """

    cell: Path
    pallets: int
    seed: int
    speed: float
    jaws: int = 0
    dialects: Dialects = "declared"
    bad_share: float = 0.1
    every_ms: int = 2_000
    database: str = ""
    between: Literal["nothing", "a network"] = "nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A prepared run folder. ``database`` is where the supervisor of this run keeps its journal."""

    folder: Path
    database: str
    cell: Cell
    cell_folder: Path
    plan: Path
    floor: Path
    pallets: tuple[Pallet, ...]
    ways: Mapping[str, tuple[int, int]]
    """For each machine the port where the supervisor looks for it, and the one where it listens."""


def prepare(wishes: Wishes, folder: Path) -> Stage:
    """Write a run folder.

    Raises:
        DeclarationError: the cell has mistakes.
        UnknownKind: no simulator plays one of its stations.
    """
    declared = load_cell(wishes.cell).cell
    names = [
        *(s.station for s in declared.stations),
        declared.handler.handler,
        declared.readers[0].reader,
    ]
    looked, ports = _ports(names, wishes)
    cell_folder = folder / "cell"
    shutil.copytree(wishes.cell, cell_folder)
    _rewrite(cell_folder / "cell.yaml", looked, wishes)
    cell = load_cell(cell_folder).cell
    pallets = pallets_for(cell, wishes.pallets, wishes.seed)
    arrivals_ms = [number * wishes.every_ms for number in range(wishes.pallets)]
    physics = physics_of(cell, pallets=pallets, arrivals_ms=arrivals_ms, bad_share=wishes.bad_share)
    (folder / "physics.json").write_bytes(dump(physics))
    plan = folder / "plan.json"
    plan.write_bytes(_plan(cell, ports, wishes))
    return Stage(
        folder=folder,
        database=wishes.database or f"sqlite:///{folder / 'journal.db'}",
        cell=cell,
        cell_folder=cell_folder,
        plan=plan,
        floor=folder / "floor.bin",
        pallets=pallets,
        ways={name: (looked[name], ports[name]) for name in names},
    )


def _ports(names: Sequence[str], wishes: Wishes) -> tuple[dict[str, int], dict[str, int]]:
    """Where the supervisor looks for each machine, and where it listens."""
    free = free_ports(2 * len(names))
    listens = dict(zip(names, free[: len(names)], strict=True))
    if wishes.between == "nothing":
        return listens, listens
    return dict(zip(names, free[len(names) :], strict=True)), listens


def _rewrite(path: Path, ports: Mapping[str, int], wishes: Wishes) -> None:
    """Let every machine of a cell file live at its port of this run, and give waits for the outside some real time on top.

    At speed 120 a limit of 30 s is a quarter of a second, which a busy desk computer may need for a message.
    """
    yaml: Any = YAML(typ="rt")
    document = yaml.load(path)
    machines = [*document["stations"], document["handler"], *document["readers"]]
    for machine in machines:
        machine["url"] = f"opc.tcp://127.0.0.1:{ports[str(machine['id'])]}"
    if wishes.speed > 1:
        slack_s = round(SLACK_REAL_S * wishes.speed)
        for station in document["stations"]:
            _lengthen(station, {"door_s_max": 30, "start_s_max": 30}, slack_s)
        _lengthen(document["handler"], {"move_s_max": 60, "settle_s_max": 30}, slack_s)
        for reader in document["readers"]:
            _lengthen(reader, {"answer_s_max": 60}, slack_s)
    if wishes.jaws:
        document["handler"]["jaws"] = wishes.jaws
    if wishes.dialects == "own":
        _speak_own(document)
    yaml.dump(document, path)


def _speak_own(document: Any) -> None:  # noqa: ANN401 - a mapping of ruamel's own
    for station in document["stations"]:
        station["profile"] = OWN[KINDS[station["kind"]]]
    for reader in document["readers"]:
        reader["profile"] = OWN_READER


def _lengthen(machine: Any, usual_s: Mapping[str, int], slack_s: int) -> None:  # noqa: ANN401 - a mapping of ruamel's own
    for limit, usual in usual_s.items():
        machine[limit] = machine.get(limit, usual) + slack_s


def _plan(cell: Cell, ports: Mapping[str, int], wishes: Wishes) -> bytes:
    """The plan of the simulators, each with another number of foreign namespaces before its own."""
    kinds: dict[str, ServerKind] = {
        station.station: DIALECTS.get(station.profile, KINDS[station.kind])
        for station in cell.stations
    }
    reader = cell.readers[0]
    kinds |= {
        cell.handler.handler: "handler",
        reader.reader: DIALECTS.get(reader.profile, "rack"),
    }
    seats = tuple(
        Seat(kind=kind, station=name, port=ports[name], shift=number % 4)
        for number, (name, kind) in enumerate(kinds.items())
    )
    plan = Plan(
        physics=Path("physics.json"),
        floor=Path("floor.bin"),
        speed=wishes.speed,
        seed=wishes.seed,
        servers=seats,
    )
    return msgspec.json.encode(plan, enc_hook=str)
