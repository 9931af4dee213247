"""An OPC UA server made for the tests of the link: an information model with everything that is awkward.

Rules of this file:
- It is a process of its own, so that it can be frozen and killed. It says one JSON line when it is ready and ends with its input.
- Every variable can be written by the test, also with a bad or uncertain status.
- It takes no more than ``LIMIT`` nodes per request and says so, and one Publish request at a time, like a small controller.
"""

import asyncio
import json
import logging
import sys
from pathlib import Path
from typing import Any

from asyncua import Server, ua
from asyncua.common.structures104 import new_enum, new_struct, new_struct_field
from asyncua.common.utils import ServiceError
from asyncua.crypto.validator import CertificateValidator, CertificateValidatorOptions
from asyncua.server.internal_session import InternalSession
from asyncua.server.uaprocessor import UaProcessor
from asyncua.server.user_managers import User, UserRole

URI = "urn:pointsman:test:strange"
LIMIT = 5
MODES = ["Off", "Hand", "Auto", "Broken"]
T = ua.VariantType


_POLICIES = ua.SecurityPolicyType
OFFERS = {
    "all": [
        _POLICIES.NoSecurity,
        _POLICIES.Basic256Sha256_SignAndEncrypt,
        _POLICIES.Basic256Sha256_Sign,
        _POLICIES.Aes128Sha256RsaOaep_SignAndEncrypt,
        _POLICIES.Aes256Sha256RsaPss_SignAndEncrypt,
    ],
    "nothing secure": [_POLICIES.NoSecurity],
    "deprecated": [_POLICIES.NoSecurity, _POLICIES.Basic256_SignAndEncrypt],
}
"""What the server offers; None always, for the test that plays its operator."""


class Users:
    """Anybody without a name; ``pointsman`` with the right password; any certificate but ``other`` (the library gives that of the channel
    where no user certificate came).
    """

    def __init__(self) -> None:
        self._refused = (Path(sys.argv[3]) / "other.der").read_bytes()

    def get_user(
        self, _iserver: Any, username: Any = None, password: Any = None, certificate: Any = None
    ) -> Any:
        if username is not None and (username, password) != ("pointsman", "swordfish-7"):
            return None
        if certificate == self._refused:
            return None
        return User(role=UserRole.User)


def enforce_limits() -> None:
    """Refuse requests that are larger than what the server says it takes."""
    for name, items in (
        ("read", "NodesToRead"),
        ("write", "NodesToWrite"),
        ("create_monitored_items", "ItemsToCreate"),
    ):
        setattr(InternalSession, name, _limited(getattr(InternalSession, name), items))
    plain = InternalSession.translate_browsepaths_to_nodeids

    async def translate(self: Any, paths: list[Any]) -> Any:
        _check(len(paths))
        return await plain(self, paths)

    InternalSession.translate_browsepaths_to_nodeids = translate
    UaProcessor.publish_request_limit = lambda _self, _subscriptions: 1


def _limited(service: Any, items: str) -> Any:
    async def limited(self: Any, params: Any, *rest: Any) -> Any:
        if self.external:
            _check(len(getattr(params, items)))
        return await service(self, params, *rest)

    return limited


def _check(size: int) -> None:
    if size > LIMIT:
        raise ServiceError(ua.StatusCodes.BadTooManyOperations)


def refuse_sessions(refusing: Any) -> None:
    """Refuse each new session with the status code that ``refusing`` holds; 1 breaks the connection without a word."""
    asked = ua.NodeId(ua.ObjectIds.CreateSessionRequest_Encoding_DefaultBinary)
    plain = UaProcessor._process_message

    async def process(self: Any, typeid: Any, *rest: Any) -> Any:
        code = await refusing.read_value() if typeid == asked else 0
        if code == 1:
            return False
        if code:
            raise ServiceError(code)
        return await plain(self, typeid, *rest)

    UaProcessor._process_message = process


async def follow_security(server: Server, strange: "Strange", keys: Path) -> None:
    """Present the certificate that a variable names, and check those of clients where another says so."""
    checks = CertificateValidator(
        CertificateValidatorOptions.EXT_VALIDATION | CertificateValidatorOptions.PEER_CLIENT
    )
    presented, offered = "server", "all"
    while True:
        await asyncio.sleep(0.02)
        checking = await strange.nodes["Checking"].read_value()
        server.iserver.certificate_validator = checks.validate if checking else None
        wanted = await strange.nodes["Presents"].read_value()
        offers = await strange.nodes["Offers"].read_value()
        if (wanted, offers) != (presented, offered):
            presented, offered = wanted, offers
            server.set_security_policy(OFFERS[offers])
            await present(server, keys, wanted)
            await strange.nodes["Presented"].write_value(wanted, T.String)
            await strange.nodes["Offered"].write_value(offers, T.String)


async def present(server: Server, keys: Path, who: str) -> None:
    """Use other keys for every channel that is opened from now on."""
    await server.load_certificate(str(keys / f"{who}.der"))
    await server.load_private_key(str(keys / f"{who}.pem"))
    server._policies.clear()
    server.iserver.endpoints.clear()
    await server._setup_server_nodes()
    server.bserver.set_policies(server._policies)


async def let_its_health_be_written(server: Server) -> None:
    """A test says how it is with the server itself."""
    for node in (ua.ObjectIds.Server_ServerStatus_State, ua.ObjectIds.Server_ServiceLevel):
        await server.get_node(ua.NodeId(node)).set_writable()


async def state_limits(server: Server) -> None:
    capabilities = "Server_ServerCapabilities_OperationLimits"
    for name in (
        "NodesPerRead",
        "NodesPerWrite",
        "NodesPerTranslateBrowsePathsToNodeIds",
        "MonitoredItemsPerCall",
    ):
        node = server.get_node(ua.NodeId(getattr(ua.ObjectIds, f"{capabilities}_Max{name}")))
        await node.write_value(ua.DataValue(ua.Variant(LIMIT, T.UInt32)))


class Strange:
    """The model."""

    def __init__(self, server: Server, index: int) -> None:
        self.server = server
        self.index = index
        self.nodes: dict[str, Any] = {}

    async def variable(
        self, name: str, value: Any, kind: Any, data_type: Any = None, identifier: str = ""
    ) -> None:
        node_id = ua.NodeId(identifier or f"Strange.{len(self.nodes)}", self.index)
        browse_name = ua.QualifiedName(name, self.index)
        variant = ua.Variant(value, kind, is_array=isinstance(value, list))
        node = await self.root.add_variable(node_id, browse_name, variant, datatype=data_type)
        await node.set_writable()
        self.nodes[name] = node

    async def build(self) -> None:
        self.root = await self.server.nodes.objects.add_object(
            ua.NodeId("Strange", self.index), ua.QualifiedName("Strange", self.index)
        )
        mode_type = await new_enum(self.server, self.index, "StrangeMode", MODES)
        await self.variable("Mode", 2, T.Int32, mode_type.nodeid)
        await self.variable("Door", ua.LocalizedText("zu", "de"), T.LocalizedText)
        await self.variable("Word", 0, T.UInt16)
        await self.variable("Nest", False, T.Boolean, identifier="Strange.Nest")
        await self.variable("Work", 0, T.Int32)
        await self.variable("RunId", "", T.String)
        await self.variable("Serial", "", T.String)
        await self.variable("Count", 0, T.UInt32)
        await self.variable("Gate", "", T.String)
        await self.variable("RunRequest", 0, T.UInt32)
        await self.variable("RunEcho", 0, T.UInt32)
        await self.variable("Echoing", True, T.Boolean)
        await self.variable("Small", 0, T.Byte)
        for name in ("Req", "Ack", "Nak"):
            await self.variable(name, False, T.Boolean)
        await self.variable("Manner", "ack", T.String)
        await self.variable("Message", "the nest is empty", T.String)
        await self.variable("Refusing", 0, T.UInt32)
        await self.variable("Presents", "server", T.String)
        await self.variable("Presented", "server", T.String)
        await self.variable("Offers", "all", T.String)
        await self.variable("Offered", "all", T.String)
        await self.variable("Checking", False, T.Boolean)
        await self.variable("Sealed", 0, T.Int32)
        await self.nodes["Sealed"].set_writable(False)
        await self._results()
        await self._methods()
        for name in ("Twin", "Twin"):
            await self.root.add_variable(self.index, name, 0)

    async def _results(self) -> None:
        point, _ = await new_struct(
            self.server,
            self.index,
            "StrangePoint",
            [new_struct_field("X", T.Double), new_struct_field("Y", T.Double)],
        )
        row, _ = await new_struct(
            self.server,
            self.index,
            "StrangeRow",
            [
                new_struct_field("Label", T.String),
                new_struct_field("Samples", T.Double, array=True),
                new_struct_field("Reading", T.Double),
                new_struct_field("Unit", T.String, optional=True),
                new_struct_field("At", point.nodeid),
                new_struct_field("Quality", T.Byte),
            ],
        )
        await self.server.load_data_type_definitions()
        rows = [
            ua.StrangeRow(
                Label="7",
                Samples=[1.0, 2.0],
                Reading=25.01,
                Unit="mm",
                At=ua.StrangePoint(1.0, 2.0),
                Quality=0,
            ),
            ua.StrangeRow(
                Label="8",
                Samples=[],
                Reading=float("nan"),
                Unit=None,
                At=ua.StrangePoint(0.0, 0.0),
                Quality=1,
            ),
        ]
        await self.variable("Rows", rows, T.ExtensionObject, row.nodeid)
        await self.variable("RowsRun", "R7", T.String)

    async def _methods(self) -> None:
        outputs = [_argument("Status", T.Int32), _argument("Text", T.String)]
        methods = {
            "Judge": (self.judge, [_argument("Code", T.Int32)], outputs),
            "Slow": (self.slow, [_argument("Seconds", T.Double)], outputs),
            "Refuse": (self.refuse, [], outputs),
        }
        for name, (function, inputs, given) in methods.items():
            identifier = ua.NodeId(f"Strange.{name}", self.index)
            await self.root.add_method(
                identifier, ua.QualifiedName(name, self.index), function, inputs, given
            )

    async def judge(self, _parent: Any, code: ua.Variant) -> list[ua.Variant]:
        return [ua.Variant(code.Value, T.Int32), ua.Variant(f"code {code.Value}", T.String)]

    async def slow(self, _parent: Any, seconds: ua.Variant) -> list[ua.Variant]:
        await asyncio.sleep(seconds.Value)
        return [ua.Variant(0, T.Int32), ua.Variant("", T.String)]

    async def refuse(self, _parent: Any) -> ua.StatusCode:
        return ua.StatusCode(ua.StatusCodes.BadInvalidState)

    async def answer(self) -> None:
        """Echo requests and answer pulses, every few milliseconds, like the cycle of a controller."""
        while True:
            await asyncio.sleep(0.01)
            if await self.nodes["Echoing"].read_value():
                await self._set("RunEcho", await self.nodes["RunRequest"].read_value(), T.UInt32)
            asked = await self.nodes["Req"].read_value()
            manner = await self.nodes["Manner"].read_value()
            await self._set("Ack", asked and manner == "ack", T.Boolean)
            await self._set("Nak", asked and manner == "nak", T.Boolean)

    async def _set(self, name: str, value: Any, kind: Any) -> None:
        if await self.nodes[name].read_value() != value:
            await self.nodes[name].write_value(value, kind)


def _argument(name: str, kind: Any) -> ua.Argument:
    return ua.Argument(Name=name, DataType=ua.NodeId(kind.value), ValueRank=-1)


async def main(shift: int, port: int, keys: Path) -> None:
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    server = Server(user_manager=Users())
    await server.init()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{port}")
    server.set_security_policy(OFFERS["all"])
    await server.load_certificate(str(keys / "server.der"))
    await server.load_private_key(str(keys / "server.pem"))
    await server.set_application_uri("urn:pointsman:test:server")
    for number in range(shift):
        await server.register_namespace(f"urn:pointsman:test:filler-{number}")
    strange = Strange(server, await server.register_namespace(URI))
    await strange.build()
    await state_limits(server)
    await let_its_health_be_written(server)
    enforce_limits()
    refuse_sessions(strange.nodes["Refusing"])
    async with server:
        port = server.bserver.port
        sys.stdout.write(
            json.dumps({"url": f"opc.tcp://127.0.0.1:{port}", "index": strange.index}) + "\n"
        )
        sys.stdout.flush()
        works = [
            asyncio.create_task(strange.answer()),
            asyncio.create_task(follow_security(server, strange, keys)),
        ]
        await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
        for work in works:
            work.cancel()


if __name__ == "__main__":
    asyncio.run(main(shift=int(sys.argv[1]), port=int(sys.argv[2]), keys=Path(sys.argv[3])))
