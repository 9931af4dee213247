"""A whole visit at each kind of station, over its own information model."""

import json
import math

import pytest
from asyncua import ua

pytestmark = pytest.mark.integration
PALLETS = {
    "pump-body": {"grai:0614141.12345.400": "6789", "grai:0614141.12345.402": "6791"},
    "cam-ring": {"grai:0614141.12345.401": "6790"},
}


async def fetch(cell, rack, carrier, part_type):
    """Take a pallet with that part type out of the rack; returns its home place and the part's serial number."""
    brought = [entry for entry in cell.truth("brought") if entry["pallet"] in PALLETS[part_type]]
    home, pallet = brought[0]["target"], brought[0]["pallet"]
    await rack.until(f"Places/{home}/Occupied", True)
    status, payload, text = await rack.call("ReadTag", home)
    assert (status, text) == (0, "")
    serial = str(int.from_bytes(payload[12:24], "big") & 2**38 - 1)  # SGTIN-96: the last 38 bits
    assert serial == PALLETS[part_type][pallet]
    assert await carrier.move("pick", home, 1) == 3
    return home, serial


def measured(cell, station, run_id):
    return next(e for e in cell.truth("measured") if (e["who"], e["run_id"]) == (station, run_id))


async def test_a_visit_at_the_optical_station_by_methods(cell, connect, hands):
    async with connect("scan-1") as scan, connect("handler") as handler, connect("rack") as rack:
        carrier = hands(handler)
        home, serial = await fetch(cell, rack, carrier, "pump-body")
        assert await scan.call("Door/Open") == [0, ""]
        assert await scan.call("Prepare", "BODY-SKIN", "A") == [0, ""]
        await scan.until("Door/State", 3)
        assert await carrier.move("put", "scan-1", 0, 1) == 3
        await scan.until("Nest/Occupied", True)
        assert await scan.call("Door/Close") == [0, ""]
        await scan.until("Door/State", 1)
        await scan.until("Work/State", 1)
        assert await scan.get("Work/Program") == "BODY-SKIN"
        assert await scan.call("Start", "R1", serial, "BODY-SKIN") == [0, ""]
        assert (await scan.call("Start", "R1", serial, "BODY-SKIN"))[0] == 1
        await scan.until("Work/State", 3)
        await scan.until("Work/State", 4)
        await check_result_text(cell, scan, "R1", serial)
        assert await scan.call("Acknowledge", "R9") == [2, "run 'R9' is not here"]
        assert await scan.call("Acknowledge", "R1") == [0, ""]
        await scan.until("Work/State", 0)
        await scan.call("Door/Open")
        await scan.until("Door/State", 3)
        assert await carrier.move("pick", "scan-1", 1) == 3
        assert await carrier.move("put", home, 0, 1) == 3
        await scan.call("Door/Close")
        await scan.until("Door/State", 1)
        await rack.until(f"Places/{home}/Occupied", True)
    assert cell.violations() == []


async def check_result_text(cell, scan, run_id, serial):
    result = json.loads(await scan.get("Result/Json"))
    assert (result["runId"], result["serial"], result["count"]) == (run_id, serial, 1)
    names = {"no": "number"}
    sent = [{names.get(key, key): row[key] for key in row} for row in result["values"]]
    truth = measured(cell, "scan-1", run_id)
    assert (truth["values"], truth["serial"]) == (sent, serial)


async def check_result_block(cell, touch, run_no, serial):
    truth = measured(cell, "touch-1", str(run_no))
    count = await touch.get("ResCount")
    assert (await touch.get("ResRun"), await touch.get("ResSerial")) == (run_no, serial)
    numbers, values = await touch.get("ResNumber"), await touch.get("ResValue")
    assert len(numbers) == len(values) == len(await touch.get("ResQuality")) == 64
    pairs = list(zip(map(str, numbers[:count]), values[:count], strict=True))
    assert pairs == [(v["number"], v["value"]) for v in truth["values"]]


async def test_a_visit_at_the_tactile_station_by_writes_and_echoes(cell, connect, hands):
    async with connect("touch-1") as touch, connect("handler") as handler, connect("rack") as rack:
        carrier = hands(handler)
        home, serial = await fetch(cell, rack, carrier, "cam-ring")
        await touch.put("AreaRequest", True, ua.VariantType.Boolean)
        await touch.put("ProgramSelect", 22, ua.VariantType.Int16)
        await touch.until("AreaRequestEcho", True)
        await touch.until_bits({0: 1, 2: 1, 3: 0, 4: 0})
        assert await carrier.move("put", "touch-1", 0, 1) == 3
        await touch.put("AreaRequest", False, ua.VariantType.Boolean)
        await touch.until_bits({2: 0, 3: 0, 4: 1, 5: 1})
        assert await touch.get("ProgramEcho") == 22
        await touch.put("PartSerial", serial, ua.VariantType.String)
        await touch.put("RunRequest", 17, ua.VariantType.UInt32)
        await touch.until("RunEcho", 17)
        assert await touch.get("SerialEcho") == serial
        await touch.until_bits({6: 0, 7: 1})
        await check_result_block(cell, touch, 17, serial)
        await touch.put("ResultAck", 17, ua.VariantType.UInt32)
        await touch.until("ResultAckEcho", 17)
        await touch.until_bits({5: 1, 6: 0, 7: 0, 8: 0})
        await touch.put("RunRequest", 17, ua.VariantType.UInt32)
        await touch.put("AreaRequest", True, ua.VariantType.Boolean)
        await touch.until_bits({2: 1})
        assert await carrier.move("pick", "touch-1", 1) == 3
        assert await carrier.move("put", home, 0, 1) == 3
        await touch.put("AreaRequest", False, ua.VariantType.Boolean)
    assert cell.violations() == []
    assert len([entry for entry in cell.truth("measured") if entry["who"] == "touch-1"]) == 1


async def test_a_visit_at_the_ct_station_by_pulses(cell, connect, hands):
    async with connect("ct-1") as ct, connect("handler") as handler, connect("rack") as rack:
        await ct.client.load_data_type_definitions()
        carrier = hands(handler)
        home, serial = await fetch(cell, rack, carrier, "pump-body")
        assert await ct.pulse("OpenDoor") == (True, "")
        await ct.until("Door", "OPEN")
        assert await carrier.move("put", "ct-1", 0, 1) == 3
        assert await ct.pulse("Prepare", Program="NO-SUCH", Revision="") == (
            False,
            "no program 'NO-SUCH'",
        )
        assert await ct.pulse("Prepare", Program="BODY-INSIDE", Revision="A") == (True, "")
        assert await ct.pulse("CloseDoor") == (True, "")
        await ct.until("Door", "CLOSED")
        await ct.until("Stage", 1)
        assert await ct.pulse("Start", RunId="R2", Serial=serial) == (True, "")
        await ct.until("Stage", 3)
        await ct.until("Stage", 4)
        results = await ct.get("Results")
        truth = measured(cell, "ct-1", "R2")
        sent = [(row.Number, row.Value, row.Unit, row.Quality) for row in results]
        assert sent == [(v["number"], v["value"], v["unit"], 0) for v in truth["values"]]
        assert (await ct.get("ResultRunId"), await ct.get("ResultSerial")) == ("R2", serial)
        assert await ct.get("ResultCounter") == 1
        assert await ct.pulse("Accept", RunId="R2") == (True, "")
        await ct.until("Stage", 0)
        await ct.pulse("OpenDoor")
        await ct.until("Door", "OPEN")
        assert await carrier.move("pick", "ct-1", 1) == 3
        assert await carrier.move("put", home, 0, 1) == 3
        await ct.pulse("CloseDoor")
        await ct.until("Door", "CLOSED")
    assert cell.violations() == []


async def test_a_bad_value_reaches_the_wire_as_bad_and_without_a_number(cell, connect, hands):
    async with connect("ct-1") as ct, connect("handler") as handler, connect("rack") as rack:
        await ct.client.load_data_type_definitions()
        carrier = hands(handler)
        home, serial = await fetch(cell, rack, carrier, "pump-body")
        await ct.throw("SpoilResult", True)
        await ct.pulse("OpenDoor")
        await ct.until("Door", "OPEN")
        assert await carrier.move("put", "ct-1", 0, 1) == 3
        await ct.pulse("Prepare", Program="BODY-INSIDE", Revision="")
        await ct.pulse("CloseDoor")
        await ct.until("Door", "CLOSED")
        await ct.until("Stage", 1)
        assert (await ct.pulse("Start", RunId="R3", Serial=serial))[0]
        await ct.until("Stage", 4)
        row = (await ct.get("Results"))[0]
        assert (math.isnan(row.Value), row.Quality) == (True, 2)
        await ct.pulse("Accept", RunId="R3")
        await ct.pulse("OpenDoor")
        await ct.until("Door", "OPEN")
        await carrier.move("pick", "ct-1", 1)
        await carrier.move("put", home, 0, 1)
        await ct.pulse("CloseDoor")
