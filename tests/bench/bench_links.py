"""Links beside bare asyncua clients: processor time of many stations, and from a result's message to the next order's bytes.

Rules of this file:
- Denominators come from the same minute: bare clients at the same server, and one raw write round trip.
- Rounds are interleaved, medians of three; each client runs in a process of its own. Nothing is asserted.
- What lies between message and order here is the adapter alone: no core, no journal. Their figures are measured where they stand.
"""

import asyncio
import json
import logging
import multiprocessing
import statistics
import time
from multiprocessing.connection import Connection as Pipe
from typing import Any, NamedTuple

import asyncua
import uvloop
from asyncua import ua
from asyncua.client.ua_client import UASocketProtocol
from ruamel.yaml import YAML

from supervisor.cell.profile import read_profile
from supervisor.core.commands import AcknowledgeResult
from supervisor.core.events import Event, ResultArrived
from supervisor.stations import connection
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.station import StationAdapter
from tests.bench.figure import ROUNDS, Figure, Size, at_least, beside, percentile

URI = "urn:pointsman:bench:links"
STATIONS: dict[Size, int] = {"full": 20, "smallest": 2}
CHANGES_PER_S = 20
SECONDS: dict[Size, float] = {"full": 5.0, "smallest": 0.5}
REACTIONS: dict[Size, int] = {"full": 250, "smallest": 5}
LOOPS: dict[Size, int] = {"full": 2, "smallest": 1}
PACE_S = 0.015
SPAWN = multiprocessing.get_context("spawn")
T = ua.VariantType
VARIABLES = (
    ("Mode", 2, T.Int32),
    ("Door", 1, T.Int32),
    ("Nest", False, T.Boolean),
    ("Work", 0, T.Int32),
    ("RunId", "", T.String),
    ("Serial", "", T.String),
    ("Program", "", T.String),
    ("Result", "", T.String),
)
PROFILE = """
profile: bench
kind: station
title: A station of the bench
namespaces: {x: "urn:pointsman:bench:links"}
nodes:
  mode: {path: x:Mode, type: Int32}
  door: {path: x:Door, type: Int32}
  nest: {path: x:Nest, type: Boolean}
  work: {path: x:Work, type: Int32}
  run: {path: x:RunId, type: String}
  serial: {path: x:Serial, type: String}
  program: {path: x:Program, type: String}
  result: {path: x:Result, type: String}
  take: {path: x:Take, type: Method}
facets:
  mode: {node: mode, codes: {2: automatic}}
  door: {always: none}
  nest: {node: nest, truth: {true: occupied, false: empty}}
  work: {node: work, codes: {0: idle, 4: finished}}
echoes: {run: run, serial: serial, program: program}
orders:
  open_door: not supported
  close_door: not supported
  prepare: not supported
  start: {by: call, node: take, arguments: [{type: String, field: run_id}], limit_s: 5}
  abort: not supported
  acknowledge: {by: call, node: take, arguments: [{type: String, field: run_id}], limit_s: 5}
  clear_fault: not supported
results:
  form: json
  node: result
  run: run
  rows: rows
  unit: mm
  columns: {number: no, value: value}
"""


class Bench(NamedTuple):
    """What clients run against, on which event loop, and how much."""

    url: str
    loop: str
    size: Size


# --- the server -----------------------------------------------------------------------------------------------------------


async def serve(pipe: Pipe) -> None:
    """Stations whose values change, and a method that ends a result."""
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    server = asyncua.Server()
    await server.init()
    server.set_endpoint("opc.tcp://127.0.0.1:0")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    index = await server.register_namespace(URI)
    stations = [await _station(server, index, number) for number in range(STATIONS["full"])]
    async with server:
        pipe.send(f"opc.tcp://127.0.0.1:{server.bserver.port}")
        loop = asyncio.get_running_loop()
        order = "rest"
        count = 0
        while order != "end":
            if await loop.run_in_executor(None, pipe.poll, 0.1):
                order = pipe.recv()
            count += 1
            if order == "change":
                for nodes in stations:
                    await nodes["Nest"].write_value(bool(count % 2), T.Boolean)
                    await nodes["Serial"].write_value(f"S{count}", T.String)
            elif order.startswith("finish"):
                await _finish(stations[int(order.split()[1])], order.split()[2])
                order = "rest"


async def _station(server: asyncua.Server, index: int, number: int) -> dict[str, Any]:
    root = await server.nodes.objects.add_object(index, f"S{number}")
    nodes: dict[str, Any] = {}
    for name, start, kind in VARIABLES:
        nodes[name] = await root.add_variable(index, name, ua.Variant(start, kind))
        await nodes[name].set_writable()

    async def take(_parent: ua.NodeId, _run: ua.Variant) -> list[ua.Variant]:
        await nodes["Work"].write_value(0, T.Int32)
        return []

    await root.add_method(index, "Take", take, [T.String], [])
    return nodes


async def _finish(nodes: dict[str, Any], run: str) -> None:
    rows = [{"no": str(n), "value": n * 1.0001} for n in range(1, 21)]
    await nodes["RunId"].write_value(run, T.String)
    await nodes["Result"].write_value(json.dumps({"run": run, "rows": rows}), T.String)
    await nodes["Work"].write_value(4, T.Int32)


def server_process(pipe: Pipe) -> None:
    asyncio.run(serve(pipe))


# --- clients --------------------------------------------------------------------------------------------------------------


async def bare_client(url: str, number: int) -> Any:
    """What a hand-written script would do."""

    class Handler:
        def datachange_notification(self, node: Any, val: Any, data: Any) -> None:
            pass

    client = asyncua.Client(url)
    await client.connect()
    index = await client.get_namespace_index(URI)
    root = await client.nodes.objects.get_child(f"{index}:S{number}")
    nodes = [await root.get_child(f"{index}:{name}") for name, _, _ in VARIABLES]
    subscription = await client.create_subscription(100, Handler())
    await subscription.subscribe_data_change(nodes)
    return client, subscription


async def our_adapter(url: str, number: int, interval_ms: float, emit: Any) -> StationAdapter:
    content = {**YAML(typ="safe").load(PROFILE), "root": f"x:S{number}"}
    wiring = Wiring(options=LinkOptions(interval_ms=interval_ms))
    profile: Any = read_profile(content)
    adapter = StationAdapter(f"S{number}", url, profile, wiring)
    _keep.append(asyncio.create_task(adapter.run(emit)))
    while adapter.report().link != "up":  # noqa: ASYNC110 - what is waited for has no event
        await asyncio.sleep(0.01)
    return adapter


_keep: list[Any] = []


async def watch_many(url: str, who: str, size: Size) -> float:
    """CPU milliseconds that one station costs in one second."""
    for number in range(STATIONS[size]):
        if who == "bare":
            _keep.append(await bare_client(url, number))
        else:
            await our_adapter(url, number, 100, lambda _event: None)
    await asyncio.sleep(1)
    begun = time.process_time()
    await asyncio.sleep(SECONDS[size])
    return (time.process_time() - begun) * 1000 / SECONDS[size] / STATIONS[size]


async def react(url: str, finish: Any, size: Size) -> dict[str, list[float]]:
    """Seconds from a message with a result to the bytes of the acknowledge order, and of raw write round trips."""
    taken, sent = _instrument()
    adapters: dict[str, StationAdapter] = {}

    def emit(event: Event) -> None:
        if isinstance(event, ResultArrived):
            adapters[event.station].give(
                AcknowledgeResult(order=1, station=event.station, run_id=event.run_id)
            )

    for number in range(3):
        adapters[f"S{number}"] = await our_adapter(url, number, 10, emit)
    spans = []
    for reaction in range(REACTIONS[size]):
        sent.clear()
        finish(reaction % 3, f"R{reaction + 1}")
        async with asyncio.timeout(5):
            while not sent:  # noqa: ASYNC110 - same
                await asyncio.sleep(0.001)
        spans.append(sent[0] - max(at for at in taken if at <= sent[0]))
        await asyncio.sleep(PACE_S)
    return {"reaction": spans, "round trip": await _round_trips(url)}


def _instrument() -> tuple[list[float], list[float]]:
    """Note when a message is taken and when the bytes of a call have gone to the socket."""
    taken: list[float] = []
    sent: list[float] = []
    take: Any = connection.Connection._take
    send: Any = UASocketProtocol._send_request

    def noted_take(self: Any, message: Any) -> None:
        taken.append(time.perf_counter())
        take(self, message)

    def noted_send(self: Any, request: Any, *rest: Any, **named: Any) -> Any:
        future = send(self, request, *rest, **named)
        if type(request) is ua.CallRequest:
            sent.append(time.perf_counter())
        return future

    connection.Connection._take = noted_take
    UASocketProtocol._send_request = noted_send
    return taken, sent


async def _round_trips(url: str) -> list[float]:
    async with asyncua.Client(url) as client:
        index = await client.get_namespace_index(URI)
        node = await client.nodes.objects.get_child([f"{index}:S9", f"{index}:Nest"])
        value = ua.DataValue(ua.Variant(True, T.Boolean))
        spans = []
        for _ in range(500):
            begun = time.perf_counter()
            await node.write_value(value)
            spans.append(time.perf_counter() - begun)
        return spans


async def tell(pipe: Pipe, work: str, bench: Bench, order: Pipe) -> None:
    """Send the figure while the loop still runs: asyncua's tasks do not always let it end."""
    if work == "react":
        finish = lambda station, name: order.send(f"finish {station} {name}")  # noqa: E731
        pipe.send(await react(bench.url, finish, bench.size))
    else:
        pipe.send(await watch_many(bench.url, work, bench.size))


def client_process(pipe: Pipe, work: str, bench: Bench, order: Pipe) -> None:
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    run = uvloop.run if bench.loop == "uvloop" else asyncio.run
    run(tell(pipe, work, bench, order))


def in_a_process(bench: Bench, work: str, order: Pipe) -> Any:
    ours, theirs = SPAWN.Pipe()
    process = SPAWN.Process(target=client_process, args=(theirs, work, bench, order), daemon=True)
    process.start()
    found = ours.recv()
    process.kill()
    process.join()
    return found


def measure(size: Size) -> list[Figure]:
    """Stations per core, and the adapter's share of a reaction, on both event loops."""
    ours, theirs = SPAWN.Pipe()
    server = SPAWN.Process(target=server_process, args=(theirs,), daemon=True)
    server.start()
    url = ours.recv()
    loops = ("uvloop", "asyncio")[: LOOPS[size]]
    figures = [
        figure
        for loop in loops
        for part in (of_many, of_reaction)
        for figure in part(Bench(url, loop, size), ours)
    ]
    ours.send("end")
    server.join()
    return figures


def of_many(bench: Bench, order: Pipe) -> list[Figure]:
    order.send("change")
    found: dict[str, list[float]] = {"ours": [], "bare": []}
    for _ in range(ROUNDS[bench.size]):
        for who, stations in found.items():
            stations.append(1000 / in_a_process(bench, who, order))
    order.send("rest")
    return [
        beside(
            f"stations per core at {CHANGES_PER_S} changes/s, {bench.loop}",
            found["ours"],
            "stations",
            ("bare asyncua clients", found["bare"]),
            at_least(0.8) if bench.loop == "uvloop" else None,
        )
    ]


def of_reaction(bench: Bench, order: Pipe) -> list[Figure]:
    found = [in_a_process(bench, "react", order) for _ in range(ROUNDS[bench.size])]
    trips = [statistics.median(each["round trip"]) for each in found]
    return [
        beside(
            f"result's message to order's bytes p{percent}, adapter alone, {bench.loop}",
            [percentile(each["reaction"], percent) for each in found],
            "µs",
            ("raw write round trip", trips),
        )
        for percent in (50, 99)
    ]
