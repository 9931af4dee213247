"""The official nodesets in a server of the first stack: each loads with the cures of the loader, and its structures are whole.

Rules of this file:
- The files are those that the second stack brings (npm, node-opcua-nodesets 2.185.0). There is none of OPC 40210 among them.
- Fields of structures are counted as the standards list them: references beside the values.
"""

import asyncio
import re
from pathlib import Path

import pytest
from asyncua import Server, ua

from simulators.servers.nodesets import load_nodesets

FOLDER = Path(__file__).parents[2] / ".tools/peers/node_modules/node-opcua-nodesets/nodesets"
pytestmark = [
    pytest.mark.integration,
    pytest.mark.timeout(180),
    pytest.mark.skipif(
        not FOLDER.is_dir(), reason="needs the files of the second stack: make peers (node and npm)"
    ),
]

UA_ = "http://opcfoundation.org/UA/"
DI, IA, MACHINERY = "Opc.Ua.Di.NodeSet2.xml", "Opc.Ua.IA.NodeSet2.xml", "Opc.Ua.Machinery.NodeSet2.xml"  # fmt: skip
RESULT, JOBCONTROL = "Opc.Ua.Machinery_Result.NodeSet2.xml", "opc.ua.isa95-jobcontrol.nodeset2.xml"
JOBS, TOOLS = "Opc.Ua.Machinery.Jobs.Nodeset2.xml", "Opc.Ua.MachineTool.NodeSet2.xml"
VISION, AUTOID = "Opc.Ua.MachineVision.NodeSet2.xml", "Opc.Ua.AutoID.NodeSet2.xml"
ROBOTICS, PACKML = "Opc.Ua.Robotics.NodeSet2.xml", "Opc.Ua.PackML.NodeSet2.xml"
ORDER = (DI, IA, MACHINERY, RESULT, JOBCONTROL, JOBS, TOOLS, VISION, AUTOID, ROBOTICS, PACKML)

# A node of each model that a profile stands on: its namespace, the number of the node, its browse name. As in the files.
NODES = {
    DI: (f"{UA_}DI/", 5001, "DeviceSet"),
    IA: (f"{UA_}IA/", 1005, "StackElementType"),
    MACHINERY: (f"{UA_}Machinery/", 1002, "MachineryItemState_StateMachineType"),
    RESULT: (f"{UA_}Machinery/Result/", 1004, "ResultManagementType"),
    JOBCONTROL: (f"{UA_}ISA95-JOBCONTROL_V2/", 1002, "ISA95JobOrderReceiverObjectType"),
    JOBS: (f"{UA_}Machinery/Jobs/", 1003, "JobManagementType"),
    TOOLS: (f"{UA_}MachineTool/", 13, "MachineToolType"),
    VISION: (f"{UA_}MachineVision", 1003, "VisionSystemType"),
    AUTOID: (f"{UA_}AutoID/", 1003, "RfidReaderDeviceType"),
    ROBOTICS: (f"{UA_}Robotics/", 1002, "MotionDeviceSystemType"),
    PACKML: (f"{UA_}PackML/", 6, "PackMLBaseObjectType"),
}

# Structures with the fields of their supertypes, which the files do not repeat, and the types that the option sets leave behind.
WHOLE = {
    # OPC 30010 9.3.8 and 9.3.9: what a scan gives, and what RFID adds
    (f"{UA_}AutoID/", 3007): ["CodeType", "ScanData", "Timestamp", "Location", "Sighting"],
    # OPC 40100-1 12.8 and 12.9: BinaryIdBaseDataType, of which the id of a recipe is
    (f"{UA_}MachineVision", 3002): ["Id", "Version", "Hash", "HashAlgorithm", "Description"],
    # OPC 40001-3: OutputInfo is an option set of a byte
    (f"{UA_}Machinery/Jobs/", 3012): ["ItemNumber", "OutputInfo", "OrderNumber", "LotNumber", "SerialNumber"],
}  # fmt: skip


def fields_of(number, index):
    """The fields of a structure as the library encodes it; the mask of optional ones is none."""
    made = ua.extension_objects_by_datatype[ua.NodeId(number, index)]
    return [name for name in made.__dataclass_fields__ if name != "Encoding"]


async def everything():
    """What a server has with every model in it: the nodes by file, and the fields of structures."""
    server = Server()
    await server.init()
    await load_nodesets(server, [FOLDER / name for name in ORDER])
    names = {}
    for file, (uri, number, _) in NODES.items():
        index = await server.get_namespace_index(uri)
        names[file] = (await server.get_node(ua.NodeId(number, index)).read_browse_name()).Name
    fields = {}
    for uri, number in WHOLE:
        fields[uri, number] = fields_of(number, await server.get_namespace_index(uri))
    return names, fields


async def why_not(file, *before):
    """Why a file cannot be loaded as it is, after others that were loaded with the cures."""
    server = Server()
    await server.init()
    await load_nodesets(server, [FOLDER / name for name in before])
    with pytest.raises((ua.UaStatusCodeError, RuntimeError)) as refused:
        await server.import_xml(FOLDER / file)
    return refused.value


@pytest.fixture(scope="module")
def loaded():
    """Every model, loaded once, in the order in which they are built on one another."""
    return asyncio.run(everything())


@pytest.mark.parametrize("file", ORDER)
def test_each_official_file_loads(file, loaded):
    names, _ = loaded
    assert names[file] == NODES[file][2]


@pytest.mark.parametrize("structure", WHOLE)
def test_a_structure_has_the_fields_of_its_supertypes_and_those_of_option_sets(structure, loaded):
    _, fields = loaded
    assert fields[structure] == WHOLE[structure]


def test_without_the_cures_files_do_not_load(loaded):
    """When this fails, the library has learnt it, and a cure can go."""
    assert loaded  # the models are known in this process, with other namespace indices
    design = asyncio.run(why_not(DI))
    assert isinstance(design, ua.uaerrors.BadParentNodeIdInvalid)
    simple = asyncio.run(why_not(AUTOID, DI))
    assert str(simple).startswith("Unknown datatype for field")


def test_a_file_lists_the_own_fields_of_a_subtype_only():
    """What makes the structures whole is needed: of the five fields of a result the file has one."""
    text = (FOLDER / AUTOID).read_text(encoding="utf-8")
    own = text[text.index('<Definition Name="1:RfidScanResult"') :].partition("</Definition>")[0]
    assert re.findall(r'<Field Name="(\w+)"', own) == ["Sighting"]


def test_a_file_whose_required_models_are_not_loaded_is_refused_with_their_names():
    async def load():
        server = Server()
        await server.init()
        await load_nodesets(server, [FOLDER / ROBOTICS])

    with pytest.raises(ValueError, match=r"Opc.Ua.Robotics.NodeSet2.xml: it requires http://opcfoundation.org/UA/DI/, "):  # fmt: skip
        asyncio.run(load())
