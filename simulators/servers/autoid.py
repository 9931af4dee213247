"""The tag reader in the dialect of AutoID (OPC 30010): an RFID reader device for each place. See docs/reference/simulators.md.

Rules of this file:
- The model and the person are the same as behind the other panel; only what is shown and called differs.
- A scan finds the tags in the field by their unique identifiers; the memory of one is read by the identifier that was found. Together they
  take the time of a read.
- What is shown is the part of the standard that a reader of pallets needs; names, fields and numbers of words are those of its nodeset,
  version 1.01.
"""

import asyncio
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, ClassVar

from asyncua import Server

from simulators.models.reader import TagStatus
from simulators.servers.data_types import DataTypes
from simulators.servers.panel import Panel, Type, Variable
from simulators.servers.reading import ReadingMachine

# AutoIdOperationStatusEnumeration (OPC 30010, 9.2.1), all its words in their order.
STATUSES = (
    "SUCCESS", "MISC_ERROR_TOTAL", "MISC_ERROR_PARTIAL", "PERMISSON_ERROR", "PASSWORD_ERROR", "REGION_NOT_FOUND_ERROR",
    "OP_NOT_POSSIBLE_ERROR", "OUT_OF_RANGE_ERROR", "NO_IDENTIFIER", "MULTIPLE_IDENTIFIERS", "READ_ERROR", "DECODING_ERROR",
    "MATCH_ERROR", "CODE_NOT_SUPPORTED", "WRITE_ERROR", "NOT_SUPPORTED_BY_DEVICE", "NOT_SUPPORTED_BY_TAG", "DEVICE_NOT_READY",
    "INVALID_CONFIGURATION", "RF_COMMUNICATION_ERROR", "DEVICE_FAULT", "TAG_HAS_LOW_BATTERY",
)  # fmt: skip
SUCCESS, NO_IDENTIFIER = STATUSES.index("SUCCESS"), STATUSES.index("NO_IDENTIFIER")
FOUND: dict[TagStatus, int] = {
    "read": SUCCESS,
    "no tag": NO_IDENTIFIER,
    "several tags": SUCCESS,
    "failed": STATUSES.index("RF_COMMUNICATION_ERROR"),
}
BYTES, TEXT = 1, 2  # which field of the union ScanData is there
UID = "UID"
ANTENNA, STRENGTH_DBM, POWER_DBM = 1, -40, 20

_LOCATIONS = {
    "LocalCoordinate": (
        *((axis, "Double", "M") for axis in "XYZ"),
        ("Timestamp", "UtcTime", "M"),
        ("DilutionOfPrecision", "Double", "M"),
        ("UsefulPrecision", "Int32", "M"),
    ),
    "WGS84Coordinate": (
        ("N/S Hemisphere", "String", "M"),
        ("Latitude", "Double", "M"),
        ("E/W Hemisphere", "String", "M"),
        ("Longitude", "Double", "M"),
        ("Altitude", "Double", "M"),
        ("Timestamp", "UtcTime", "M"),
        ("DilutionOfPrecision", "Double", "M"),
        ("UsefulPrecisionLatLon", "Int32", "M"),
        ("UsefulPrecisionAlt", "Int32", "M"),
    ),
    "ScanDataEpc": (
        ("PC", "UInt16", "M"),
        ("UId", "ByteString", "M"),
        ("XPC_W1", "UInt16", "M"),
        ("XPC_W2", "UInt16", "M"),
    ),
    "RfidSighting": (
        ("Antenna", "Int32", "M"),
        ("Strength", "Int32", "M"),
        ("Timestamp", "UtcTime", "M"),
        ("CurrentPowerLevel", "Int32", "M"),
    ),
}
_LOCATION = (
    ("NMEA", "NmeaCoordinateString"),
    ("Local", "LocalCoordinate"),
    ("WGS84", "WGS84Coordinate"),
    ("Name", "LocationName"),
)
_SCAN_DATA = (
    ("ByteString", "ByteString"),
    ("String", "String"),
    ("Epc", "ScanDataEpc"),
    ("Custom", "Variant"),
)
_SCANS = {
    "ScanSettings": (
        ("Duration", "Duration", "M"),
        ("Cycles", "Int32", "M"),
        ("DataAvailable", "Boolean", "M"),
        ("LocationType", "LocationTypeEnumeration", "O"),
    ),
    "RfidScanResult": (
        ("CodeType", "CodeTypeDataType", "M"),
        ("ScanData", "ScanData", "M"),
        ("Timestamp", "UtcTime", "M"),
        ("Location", "Location", "O"),
        ("Sighting", "RfidSighting[]", "M"),
    ),
}
_STATUS = ("Status", "AutoIdOperationStatusEnumeration")
_SCAN = ((("Settings", "ScanSettings"),), (("Results", "RfidScanResult[]"), _STATUS))
_READ_TAG = (
    (
        ("Identifier", "ScanData"),
        ("CodeType", "CodeTypeDataType"),
        ("Region", "UInt16"),
        ("Offset", "UInt32"),
        ("Length", "UInt32"),
        ("Password", "ByteString"),
    ),
    (("ResultData", "ByteString"), _STATUS),
)


class AutoIdMachine(ReadingMachine):
    """A device for each place, its browse name the place."""

    uri = "urn:pointsman:site:readers"
    root = ("di:DeviceSet",)
    ids = "names"
    namespaces: ClassVar = {
        "di": "http://opcfoundation.org/UA/DI/",
        "a": "http://opcfoundation.org/UA/AutoID/",
    }

    async def build(self, server: Server, panel: Panel) -> None:
        """See ``Machine``."""
        self._types = types = DataTypes(server)
        await _add_types(types, panel.prefixes["a"])
        for place in self.model.places:
            await panel.show(
                [
                    Variable(path=f"{place}/a:DeviceName", type=Type.String, start=place),
                    Variable(path=_presence(place), type=Type.UInt16, start=0),
                ]
            )
            for name, method, (takes, gives) in (
                ("Scan", self._on_scan(place), _SCAN),
                ("ReadTag", self._on_read_tag(place), _READ_TAG),
            ):
                await panel.offer(
                    f"{place}/a:{name}",
                    method,
                    takes=types.arguments(takes),
                    gives=types.arguments(gives),
                )

    def values(self) -> Mapping[str, Any]:
        """See ``Machine``."""
        return {_presence(place): int(there) for place, there in self.model.image().items()}

    def _on_scan(self, place: str) -> Any:
        async def scan(settings: Any) -> tuple[list[Any], int]:
            if not (settings.Duration or settings.Cycles or settings.DataAvailable):
                return [], STATUSES.index("INVALID_CONFIGURATION")  # it would never end
            await self._half_a_read()
            status = self.model.read(place).status
            identifiers = {"read": 1, "several tags": 2}.get(status, 0)
            found = [self._result(self.model.uid(place, tag)) for tag in range(identifiers)]
            return found, FOUND[status]

        return scan

    def _on_read_tag(self, place: str) -> Any:
        async def read_tag(
            identifier: Any, code_type: str, region: int, offset: int, length: int, _password: bytes
        ) -> tuple[bytes, int]:
            if region != 0:
                return b"", STATUSES.index("REGION_NOT_FOUND_ERROR")
            await self._half_a_read()
            there = self.model.uid(place)
            if code_type != UID or not there or _content(identifier) != there:
                return b"", NO_IDENTIFIER
            return self.model.memory(place)[offset : offset + length], SUCCESS

        return read_tag

    async def _half_a_read(self) -> None:
        await asyncio.sleep(self._world.clock.seconds(self.model.read_ms) / 2)

    def _result(self, uid: bytes) -> Any:
        make, now = self._types.make, datetime.now(UTC)
        seen = make(
            "RfidSighting",
            Antenna=ANTENNA,
            Strength=STRENGTH_DBM,
            Timestamp=now,
            CurrentPowerLevel=POWER_DBM,
        )
        return make(
            "RfidScanResult",
            CodeType=UID,
            ScanData=make("ScanData", Encoding=BYTES, Value=uid),
            Timestamp=now,
            Sighting=[seen],
        )


def _presence(place: str) -> str:
    return f"{place}/a:Diagnostics/a:Presence"


def _content(identifier: Any) -> bytes:
    """The identifier as bytes; a text is one in hexadecimal digits."""
    if identifier.Encoding == BYTES:
        return identifier.Value or b""
    try:
        return bytes.fromhex(identifier.Value) if identifier.Encoding == TEXT else b""
    except ValueError:
        return b""


async def _add_types(types: DataTypes, index: int) -> None:
    for text in ("CodeTypeDataType", "LocationName", "NmeaCoordinateString"):
        await types.add_text(index, text)
    words: Sequence[str] = ("NMEA", "LOCAL", "WGS84", "NAME")
    await types.add_enumeration(index, "LocationTypeEnumeration", words)
    await types.add_enumeration(index, _STATUS[1], STATUSES)
    await types.add_structures(index, _LOCATIONS)
    await types.add_union(index, "Location", _LOCATION)
    await types.add_union(index, "ScanData", _SCAN_DATA)
    await types.add_structures(index, _SCANS)
    await types.load()
