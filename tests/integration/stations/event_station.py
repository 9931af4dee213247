"""A station that says what it does by events only: nothing of a run stands in a variable, except what levels keep for who missed them.

Rules of this file:
- `Done` is a subtype of `Finished`, and its result stands one level below it, so that subtypes and field paths are needed.
- Lines in say what happens to it ({"do": ..., "run": ...}); it says one JSON line when it is ready and ends with its input.
- `Levels/...` and the method `Recent` remember what the last events said; nothing else does.
"""

import asyncio
import json
import logging
import sys
from typing import Any

from asyncua import Server, ua
from asyncua.common.structures104 import new_struct, new_struct_field

URI = "urn:pointsman:test:event-station"
T = ua.VariantType
ROWS = ("10", "20"), (25.0104, 0.0031)
VALUES = ("Number", T.String), ("Value", T.Double)


class Station:
    """The model."""

    def __init__(self, server: Server, index: int) -> None:
        self.server = server
        self.index = index
        self.levels: dict[str, Any] = {}
        self.recent: list[Any] = []
        self.count = 0
        self.refusing = False

    async def build(self) -> None:
        self.root = await self.server.nodes.objects.add_object(self.index, "Eventful")
        self.quiet = await self.root.add_object(self.index, "Quiet")
        await self._types()
        for name, value, kind in (
            ("Present", True, T.Boolean),
            ("Busy", 0, T.Int32),
            ("BegunRun", None, T.String),
            ("Starts", 0, T.UInt32),
        ):
            node = await self.root.add_variable(
                self.index, name, ua.Variant(value, kind), datatype=ua.NodeId(kind.value)
            )
            self.levels[name] = node
        number, text = ua.NodeId(T.Int32.value), ua.NodeId(T.String.value)
        await self.root.add_method(
            self.index, "Start", self.start, [_argument("Run", text)], [_argument("Status", number)]
        )
        await self.root.add_method(
            self.index,
            "Recent",
            self.give_recent,
            [],
            [_argument("Rows", self.row.nodeid, 1), _argument("Status", number)],
        )

    async def _types(self) -> None:
        """`Begun` {Run}, `Finished` {Result: {Run, Number[], Value[]}, State} and its subtype `Done`."""
        base = self.server.get_node(ua.ObjectIds.BaseEventType)
        self.begun = await base.add_object_type(self.index, "Begun")
        await self.begun.add_property(self.index, "Run", "", T.String)
        finished = await base.add_object_type(self.index, "Finished")
        await finished.add_property(self.index, "State", 0, T.Int32)
        result = await finished.add_object(self.index, "Result")
        await result.add_variable(self.index, "Run", "", T.String)
        for name, kind in VALUES:
            node = await result.add_variable(
                self.index,
                name,
                ua.Variant([], kind, is_array=True),
                datatype=ua.NodeId(kind.value),
            )
            await node.write_attribute(
                ua.AttributeIds.ValueRank, ua.DataValue(ua.Variant(1, T.Int32))
            )
        self.done = await finished.add_object_type(self.index, "Done")
        self.row, _ = await new_struct(
            self.server,
            self.index,
            "EventRow",
            [
                new_struct_field("Run", T.String),
                new_struct_field("State", T.Int32),
                new_struct_field("Number", T.String, array=True),
                new_struct_field("Value", T.Double, array=True),
                new_struct_field("Order", T.UInt32),
            ],
        )
        await self.server.load_data_type_definitions()

    # --- what it is asked -------------------------------------------------------------------------------------------------

    async def start(self, _parent: Any, run: Any) -> list[ua.Variant]:
        starts = self.levels["Starts"]
        await starts.write_value(await starts.read_value() + 1, T.UInt32)
        await self.begin(run.Value)
        return [ua.Variant(0, T.Int32)]

    async def give_recent(self, _parent: Any) -> list[ua.Variant]:
        rows = ua.Variant(list(reversed(self.recent)), T.ExtensionObject, is_array=True)
        return [rows, ua.Variant(-1 if self.refusing else 0, T.Int32)]

    # --- what happens to it -----------------------------------------------------------------------------------------------

    async def begin(self, run: str) -> None:
        await self.levels["BegunRun"].write_value(run, T.String)
        await self._tell(self.begun, [("Run", run, T.String)])

    async def finish(self, run: str, state: int) -> None:
        await self.levels["BegunRun"].write_value(None, T.String)
        self.count += 1
        numbers, values = ROWS
        self.recent.append(
            ua.EventRow(
                Run=run, State=state, Number=list(numbers), Value=list(values), Order=self.count
            )
        )
        fields = [
            ("State", state, T.Int32),
            ("Result/Run", run, T.String),
            ("Result/Number", list(numbers), T.String),
            ("Result/Value", list(values), T.Double),
        ]
        await self._tell(self.done, fields)

    async def _tell(self, kind: Any, fields: list[tuple[str, Any, Any]]) -> None:
        made = await self.server.get_event_generator(kind, self.server.nodes.server)
        for name, content, variant_type in fields:
            made.event.add_property(name, content, variant_type)
        await made.trigger()

    async def take(self, line: dict[str, Any]) -> None:
        match line["do"]:
            case "begin":
                await self.begin(line["run"])
            case "finish":
                await self.finish(line["run"], line.get("state", 1))
            case "at once":  # so quickly that one message says it all
                await self.begin(line["run"])
                await self.finish(line["run"], 1)
            case "busy":
                await self.levels["Busy"].write_value(line["value"], T.Int32)
            case "refuse":
                self.refusing = line["value"]
            case _:
                self.recent.clear()
                await self.levels["BegunRun"].write_value(None, T.String)


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
        loop = asyncio.get_running_loop()
        while line := await loop.run_in_executor(None, sys.stdin.readline):
            await station.take(json.loads(line))
            sys.stdout.write(json.dumps({"done": json.loads(line)}) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    asyncio.run(main())
