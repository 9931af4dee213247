"""A station with an information model made for one test, strange on purpose: nothing of it is in any profile that is shipped.

Rules of this file:
- Mode in a text with separators, work and nest as bits of a status word, the door as two switches, a heartbeat that counts.
- A run is started by a bit that alternates, the door by numbers that count up, a run is ended by a method with a structure, an array
  and a list of variants; every order is repeated once it was taken, in the cycle of a controller.
- The same result stands in a CSV text, in a file, and is given by a method as a structure with structures inside variants.
- It says one JSON line when it is ready and ends with its input.
"""

import asyncio
import json
import logging
import sys
from datetime import UTC, datetime
from typing import Any

from asyncua import Server, ua
from asyncua.common.structures104 import new_struct, new_struct_field

URI = "urn:pointsman:test:strange-station"
CYCLE_S = 0.01
T = ua.VariantType
IDLE, RUNNING, FINISHED, ABORTED = range(4)
ROWS = [("1", 25.0104, "1"), ("2", 0.0031, "0")]


class Station:
    """The model and its cycle."""

    def __init__(self, server: Server, index: int) -> None:
        self.server = server
        self.index = index
        self.nodes: dict[str, Any] = {}
        self.last: dict[str, Any] = {}
        self.work = IDLE
        self.left = 0
        self.opened: dict[int, int] = {}
        self.made = datetime.now(UTC)

    async def build(self) -> None:
        self.root = await self.server.nodes.objects.add_object(self.index, "Odd")
        for name, value, kind in (
            ("Line", "AUTO|READY|7", T.String),
            ("Status", 0, T.UInt32),
            ("SwitchOpen", False, T.Boolean),
            ("SwitchShut", True, T.Boolean),
            ("Beat", 0, T.UInt16),
            ("Beating", True, T.Boolean),
            ("Present", False, T.Boolean),
            ("Powered", True, T.Boolean),
            ("Start", False, T.Boolean),
            ("StartTaken", False, T.Boolean),
            ("Part", "", T.String),
            ("Run", 0, T.UInt32),
            ("RunTaken", 0, T.UInt32),
            ("OpenNo", 65535, T.UInt16),
            ("OpenTaken", 65535, T.UInt16),
            ("ShutNo", 0, T.UInt16),
            ("ShutTaken", 0, T.UInt16),
            ("Forget", 0, T.UInt32),
            ("ForgetTaken", 0, T.UInt32),
            ("Report", "", T.String),
        ):
            node = await self.root.add_variable(self.index, name, value, kind)
            await node.set_writable()
            self.nodes[name] = node
        await self._structures()
        await self._methods()

    async def _structures(self) -> None:
        field = new_struct_field
        stop, _ = await new_struct(
            self.server,
            self.index,
            "OddStop",
            [
                field("Run", T.UInt32),
                field("Why", T.String, optional=True),
                field("Hard", T.Boolean),
            ],
        )
        row, _ = await new_struct(
            self.server,
            self.index,
            "OddRow",
            [field("Label", T.String), field("Reading", T.Double), field("Fine", T.Boolean)],
        )
        result, _ = await new_struct(
            self.server,
            self.index,
            "OddResult",
            [
                field("About", stop.nodeid),
                field("Content", ua.NodeId(ua.ObjectIds.BaseDataType), array=True),
            ],
        )
        axis, _ = await new_struct(
            self.server,
            self.index,
            "OddAxis",
            [field("Name", T.String), field("State", T.Int32)],
        )
        await self.server.load_data_type_definitions()
        self.types = {"stop": stop, "row": row, "result": result}
        axes = ua.Variant([ua.OddAxis("X", 1), ua.OddAxis("Y", 1)], T.ExtensionObject)
        node = await self.root.add_variable(self.index, "Axes", axes, datatype=axis.nodeid)
        await node.set_writable()

    async def _methods(self) -> None:
        texts = _argument("Tags", ua.NodeId(T.String.value), 1)
        extras = _argument("Extras", ua.NodeId(ua.ObjectIds.BaseDataType), 1)
        status = _argument("Status", ua.NodeId(T.Int32.value))
        number = ua.NodeId(T.UInt32.value)
        await self.root.add_method(
            self.index,
            "Stop",
            self.stop,
            [_argument("What", self.types["stop"].nodeid), texts, extras],
            [_argument("Run", number), status],
        )
        await self.root.add_method(
            self.index,
            "Give",
            self.give,
            [_argument("Run", number)],
            [_argument("Result", self.types["result"].nodeid), status],
        )
        file = await self.root.add_object(self.index, "Last", objecttype=ua.NodeId(11575))
        for name, function, inputs in (
            ("Open", self.open, [_argument("Mode", ua.NodeId(T.Byte.value))]),
            (
                "Read",
                self.read,
                [_argument("Handle", number), _argument("Length", ua.NodeId(T.Int32.value))],
            ),
            ("Close", self.close, [_argument("Handle", number)]),
        ):
            await self._replace_method(file, name, function, inputs)

    async def _replace_method(self, file: Any, name: str, function: Any, inputs: Any) -> None:
        known = {
            (await child.read_browse_name()).Name: child for child in await file.get_children()
        }
        if name in known:
            await known[name].delete()
        output = ua.NodeId(T.ByteString.value if name == "Read" else T.UInt32.value)
        outputs = [] if name == "Close" else [_argument("Out", output)]
        await file.add_method(
            ua.NodeId(f"Last.{name}", self.index),
            ua.QualifiedName(name, 0),
            function,
            inputs,
            outputs,
        )

    # --- methods ----------------------------------------------------------------------------------------------------------

    async def stop(self, _parent: Any, what: Any, tags: Any, extras: Any) -> list[ua.Variant]:
        self.last = {
            "run": what.Value.Run,
            "why": what.Value.Why,
            "hard": what.Value.Hard,
            "tags": tags.Value,
            "extras": [getattr(extra, "Value", extra) for extra in extras.Value],
        }
        await self.nodes["Report"].write_value(json.dumps(self.last), T.String)
        self.work = ABORTED
        return [ua.Variant(what.Value.Run, T.UInt32), ua.Variant(0, T.Int32)]

    async def give(self, _parent: Any, run: Any) -> list[ua.Variant]:
        there = self.work == FINISHED and run.Value == await self.nodes["RunTaken"].read_value()
        rows = [
            ua.Variant(ua.OddRow(label, reading, fine == "1"), T.ExtensionObject)
            for label, reading, fine in ROWS
        ]
        result = ua.OddResult(
            About=ua.OddStop(Run=run.Value, Hard=False), Content=rows if there else []
        )
        return [
            ua.Variant(result, T.ExtensionObject),
            ua.Variant(0 if there else -1, T.Int32),
        ]

    async def open(self, _parent: Any, mode: Any) -> Any:
        if mode.Value != 1:
            return ua.StatusCode(ua.StatusCodes.BadInvalidArgument)
        handle = len(self.opened) + 1
        self.opened[handle] = 0
        return [ua.Variant(handle, T.UInt32)]

    async def read(self, _parent: Any, handle: Any, length: Any) -> Any:
        rows = [{"no": no, "v": value, "q": quality} for no, value, quality in ROWS]
        run = await self.nodes["RunTaken"].read_value()
        head = {"run": f"R{run}", "made": self.made.isoformat()}
        content = json.dumps({"head": head, "rows": rows}).encode()
        start = self.opened[handle.Value]
        chunk = content[
            start : start + min(length.Value, 20)
        ]  # in small bites, as small servers do
        self.opened[handle.Value] += len(chunk)
        return [ua.Variant(chunk, T.ByteString)]

    async def close(self, _parent: Any, handle: Any) -> list[ua.Variant]:
        self.opened[handle.Value] = -1
        return []

    # --- the cycle --------------------------------------------------------------------------------------------------------

    async def cycle(self) -> None:
        ticks = 0
        while True:
            await asyncio.sleep(CYCLE_S)
            ticks += 1
            if ticks % 10 == 0 and await self.nodes["Beating"].read_value():
                beat = await self.nodes["Beat"].read_value()
                await self._set("Beat", (beat + 1) % 65536, T.UInt16)
                await self.nodes["Powered"].write_value(True, T.Boolean)  # the same, written again
            await self._doors()
            await self._runs()
            present = await self.nodes["Present"].read_value()
            await self._set("Status", 1 | self.work << 4 | present << 8, T.UInt32)

    async def _doors(self) -> None:
        for name, goal in (("Open", True), ("Shut", False)):
            asked = await self.nodes[f"{name}No"].read_value()
            if asked != await self.nodes[f"{name}Taken"].read_value():
                await self._set(f"{name}Taken", asked, T.UInt16)
                await self._set("SwitchOpen", False, T.Boolean)
                await self._set("SwitchShut", False, T.Boolean)
                await asyncio.sleep(10 * CYCLE_S)
                await self._set("SwitchOpen", goal, T.Boolean)
                await self._set("SwitchShut", not goal, T.Boolean)

    async def _runs(self) -> None:
        asked = await self.nodes["Start"].read_value()
        if asked != await self.nodes["StartTaken"].read_value():
            run = await self.nodes["Run"].read_value()
            await self._set("RunTaken", run, T.UInt32)
            self.work, self.left = RUNNING, 20
            await self._set("StartTaken", asked, T.Boolean)
        if self.work == RUNNING:
            self.left -= 1
            if self.left == 0:
                await self._finish()
        forgotten = await self.nodes["Forget"].read_value()
        if forgotten != await self.nodes["ForgetTaken"].read_value():
            await self._set("ForgetTaken", forgotten, T.UInt32)
            self.work = IDLE

    async def _finish(self) -> None:
        run, part = [await self.nodes[name].read_value() for name in ("RunTaken", "Part")]
        lines = [f"{run};{part}", "no;measured;fine"]
        lines += [f"{no};{str(value).replace('.', ',')};{fine}" for no, value, fine in ROWS]
        await self._set("Report", "\r\n".join(lines) + "\r\n", T.String)
        self.made = datetime.now(UTC)
        self.work = FINISHED

    async def _set(self, name: str, value: Any, kind: Any) -> None:
        if await self.nodes[name].read_value() != value:
            await self.nodes[name].write_value(value, kind)


def _argument(name: str, data_type: Any, rank: int = -1) -> ua.Argument:
    return ua.Argument(Name=name, DataType=data_type, ValueRank=rank)


async def main() -> None:
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    server = Server()
    await server.init()
    server.set_endpoint("opc.tcp://127.0.0.1:0")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    await server.register_namespace("urn:pointsman:test:filler")
    station = Station(server, await server.register_namespace(URI))
    await station.build()
    async with server:
        url = f"opc.tcp://127.0.0.1:{server.bserver.port}"
        sys.stdout.write(json.dumps({"url": url, "index": station.index}) + "\n")
        sys.stdout.flush()
        work = asyncio.create_task(station.cycle())
        await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
        work.cancel()


if __name__ == "__main__":
    asyncio.run(main())
