"""Simulated machines of an inspection cell as OPC UA servers, see docs/reference/simulators.md.

python -m simulators.servers cell --plan PLAN
python -m simulators.servers scan --station scan-1 --port 48401 --speed 60 --floor FLOOR --physics PHYSICS
"""

import argparse
import asyncio
import sys
from pathlib import Path
from typing import get_args

from simulators.models import physics as physics_file
from simulators.models.physics import PhysicsError
from simulators.servers import floor_file, seat
from simulators.servers.floor_file import FloorError
from simulators.servers.launcher import Launcher, die_with_parent, say
from simulators.servers.seat import PlanError, Seat, ServerKind
from simulators.servers.serving import Surroundings, prepare, serve

DONE, INPUT_IS_WRONG = 0, 2


def main() -> int:
    """0 when ended by a signal, 2 when what was given is wrong."""
    options = _parser().parse_args()
    if options.with_parent:
        die_with_parent()
    try:
        if options.kind == "cell":
            Launcher(seat.load(options.plan)).run()
        else:
            _run_one(options)
    except (PhysicsError, PlanError, FloorError, OSError) as error:
        print(error, file=sys.stderr)
        return INPUT_IS_WRONG
    return DONE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulators.servers", description="Simulated machines as OPC UA servers."
    )
    kinds = parser.add_subparsers(dest="kind", required=True)
    cell = kinds.add_parser("cell", help="all servers of a plan")
    cell.add_argument("--plan", type=Path, required=True, help="plan file, JSON")
    for kind in get_args(ServerKind):
        _add_server(kinds.add_parser(kind, help=f"one server of kind {kind}"))
    for command in kinds.choices.values():
        command.add_argument(
            "--with-parent", action="store_true", help="end when the parent process ends"
        )
    return parser


def _add_server(command: argparse.ArgumentParser) -> None:
    command.add_argument("--station", required=True, help="id of the station, handler or reader")
    command.add_argument("--port", type=int, default=0, help="0 = any free port")
    command.add_argument("--speed", type=float, default=1.0, help="cell time per real time")
    command.add_argument(
        "--floor", type=Path, required=True, help="floor file; made if it is not there"
    )
    command.add_argument("--physics", type=Path, required=True, help="physics file, JSON")
    command.add_argument("--shift", type=int, default=0, help="foreign namespaces before its own")
    command.add_argument(
        "--seed", type=int, default=0, help="what parts, errors and people depend on"
    )


def _run_one(options: argparse.Namespace) -> None:
    physics = physics_file.load(options.physics)
    place = Seat(kind=options.kind, station=options.station, port=options.port, shift=options.shift)
    seat.check((place,), physics)
    server = prepare()
    floor_file.create(options.floor, physics, speed=options.speed)
    surroundings = Surroundings(physics=physics, floor=options.floor, seed=options.seed)
    asyncio.run(serve(server, place, surroundings, say))


sys.exit(main())
