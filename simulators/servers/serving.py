"""One simulator server from nothing to its end.

Rules of this file:
- ``prepare`` is slow (seconds, for the standard address space) and knows nothing of any machine, so that one prepared server can be
  forked into many. It leaves no thread and no event loop behind.
- With a shift, foreign namespaces come first, and they hold nodes with the very identifiers of ours: whoever keeps an old index
  reads a wrong value without an error, as with real stations.
"""

import asyncio
import gc
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from asyncua import Node, Server, ua

from simulators.models.part import Parts
from simulators.models.physics import Physics
from simulators.servers import wire
from simulators.servers.autoid import AutoIdMachine
from simulators.servers.clock import CellClock
from simulators.servers.ct import CtMachine
from simulators.servers.floor_file import FloorFile
from simulators.servers.handler import HandlerMachine
from simulators.servers.job import JobMachine
from simulators.servers.machine import Machine, World
from simulators.servers.measuring import MeasuringMachine
from simulators.servers.panel import Panel, qualified, without_prefixes
from simulators.servers.process import Announce, Process
from simulators.servers.rack import RackMachine
from simulators.servers.scan import ScanMachine
from simulators.servers.seat import Seat, ServerKind
from simulators.servers.touch import TouchMachine
from simulators.servers.vision import VisionMachine

BENCH_URI = "urn:pointsman:sim:bench"
MEASURING: Mapping[ServerKind, type[MeasuringMachine]] = {
    "scan": ScanMachine,
    "vision": VisionMachine,
    "touch": TouchMachine,
    "job": JobMachine,
    "ct": CtMachine,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What all machines of a cell share. ``keys`` is the folder of their keys and certificates, where they have any."""

    physics: Physics
    floor: Path
    seed: int
    keys: Path | None = None


def prepare() -> Server:
    """A server with the standard address space and nothing else."""
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    gc.disable()  # many objects that all stay: looking through them again and again helps nobody
    try:
        server = Server()
        asyncio.run(server.init())
    finally:
        gc.enable()
    gc.freeze()  # keeps forked children from copying pages that only the collector touches
    return server


async def serve(server: Server, seat: Seat, surroundings: Surroundings, announce: Announce) -> None:
    """Serve one machine until SIGTERM or SIGINT. ``announce`` gets the ready line when clients can connect."""
    floor = FloorFile(surroundings.floor, surroundings.physics, member=seat.station)
    clock = CellClock(floor.t0_ns, floor.speed)
    process = Process(
        server, floor, clock, lambda line: announce({**line, "station": seat.station})
    )
    process.take_signals()
    world = World(
        physics=surroundings.physics,
        floor=floor,
        parts=Parts(surroundings.physics, seed=surroundings.seed),
        clock=clock,
        woken=process.wake.set,
    )
    machine = _machine(seat, world)
    await _secure(server, seat, surroundings.keys)
    panel, bench = await _build(server, seat, machine)
    await process.add_switches(machine, bench)
    await process.publish(machine, panel, bench)
    await server.start()
    assert server.bserver is not None
    announce({"ready": seat.station, "url": f"opc.tcp://127.0.0.1:{server.bserver.port}"})
    await process.move(machine, panel, bench)
    await server.bserver.stop()
    floor.close()


def _machine(seat: Seat, world: World) -> Machine:
    match seat.kind:
        case "handler":
            return HandlerMachine(world)
        case "rack":
            return RackMachine(world)
        case "autoid":
            return AutoIdMachine(world)
        case measuring:
            return MEASURING[measuring](world, seat.station)


async def _secure(server: Server, seat: Seat, keys: Path | None) -> None:
    """No security; with a key a signed and encrypted connection as well, which takes any client's certificate."""
    policies = [ua.SecurityPolicyType.NoSecurity]
    if keys is not None:
        await server.load_certificate(str(keys / f"{seat.station}.der"))
        await server.load_private_key(str(keys / f"{seat.station}.pem"))
        policies.append(ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt)
    server.set_security_policy(policies)


async def _build(server: Server, seat: Seat, machine: Machine) -> tuple[Panel, Panel]:
    server.set_endpoint(f"opc.tcp://127.0.0.1:{seat.port}")
    server.set_server_name(f"Pointsman simulator {seat.station}")
    await server.set_application_uri(f"urn:pointsman:sim:{seat.kind}:{seat.station}")
    others = [
        await server.register_namespace(f"urn:pointsman:sim:other-{number + 1}")
        for number in range(seat.shift)
    ]
    index = await server.register_namespace(machine.uri)
    prefixes = {
        prefix: await server.register_namespace(uri) for prefix, uri in machine.namespaces.items()
    }
    root = await _root(server, index, machine.root, prefixes)
    panel = Panel(server, root, index=index, ids=machine.ids, prefixes=prefixes)
    await machine.build(server, panel)
    for other in others:
        await panel.mimic(await _root(server, other, ("Other",), {}), index=other)
    bench_index = await server.register_namespace(BENCH_URI)
    bench_root = await _root(server, bench_index, ("Bench",), {})
    return panel, Panel(server, bench_root, index=bench_index, ids="names")


async def _root(
    server: Server, index: int, names: tuple[str, ...], prefixes: Mapping[str, int]
) -> Node:
    node = server.nodes.objects
    for depth, name in enumerate(names):
        node_id = wire.node_id(without_prefixes("/".join(names[: depth + 1])), index)
        node = await node.add_object(node_id, qualified(name, index, prefixes))
    return node
