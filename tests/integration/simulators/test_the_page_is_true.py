"""docs/reference/simulators.md lists exactly the nodes that the servers show."""

import re
from pathlib import Path

import pytest
from asyncua import ua

from simulators.models.cell import KINDS

pytestmark = pytest.mark.integration
PAGE = (Path(__file__).parents[3] / "docs" / "reference" / "simulators.md").read_text()
NAMES = {"scan": "scan-1", "touch": "touch-1", "ct": "ct-1", "handler": "handler", "rack": "rack"}


def section(title):
    return re.split(rf"^#+ {title}$", PAGE, flags=re.MULTILINE)[1].split("\n#", maxsplit=1)[0]


def on_the_page(kind):
    rows = re.findall(
        r"^\| (`[^|]+) \| ([^|]+) \| (read|write|call) \|", section(kind), re.MULTILINE
    )
    return {
        (name, what, how) for names, what, how in rows for name in re.findall("`([^`]+)`", names)
    }


async def type_of(client, node):
    data_type = client.get_node(await node.read_data_type())
    name = (await data_type.read_browse_name()).Name
    if await node.read_value_rank() < 0:
        return name
    rows = len(await node.read_value()) if data_type.nodeid.NamespaceIndex == 0 else ""
    return f"{name}[{rows}]"


async def arguments(method, which):
    wanted = [f"0:{which}"]
    try:
        declared = await (await method.get_child(wanted)).read_value()
    except ua.uaerrors.BadNoMatch:
        return ""
    return ", ".join(
        f"{one.Name} {ua.VariantType(one.DataType.Identifier).name}" for one in declared
    )


async def shown(client, node, path=""):
    found = set()
    for child in await node.get_children(refs=ua.ObjectIds.HierarchicalReferences):
        name = f"{path}{(await child.read_browse_name()).Name}"
        match await child.read_node_class():
            case ua.NodeClass.Variable:
                writable = ua.AccessLevel.CurrentWrite in await child.get_access_level()
                found.add((name, await type_of(client, child), "write" if writable else "read"))
            case ua.NodeClass.Method:
                takes = await arguments(child, "InputArguments")
                found.add((f"{name}({takes})", await arguments(child, "OutputArguments"), "call"))
            case _:
                found |= await shown(client, child, f"{name}/")
    return found


@pytest.mark.parametrize("kind", NAMES)
async def test_the_page_lists_exactly_the_nodes_of(kind, connect):
    async with connect(NAMES[kind]) as machine:
        nodes = await shown(machine.client, machine.root)
    places = {
        (re.sub("Places/[^/]+/", "Places/<place>/", name), what, how) for name, what, how in nodes
    }
    assert places == on_the_page(kind)


async def test_the_page_lists_exactly_the_switches(connect):
    """Those of the `job` dialect alone: tests/integration/stations/test_job_simulator.py."""
    rows = re.findall(r"^\| `(\w+)` \| (\w+) \| ([^|]+) \|", section("Switches"), re.MULTILINE)
    listed = {(name, what) for name, what, where in rows if where != "job"}
    found = set()
    for name in NAMES.values():
        async with connect(name) as machine:
            found |= {row[:2] for row in await shown(machine.client, machine.bench)}
    assert found == listed


def test_the_page_states_the_times_of_the_stations():
    rows = re.findall(
        r"^\| (\w+) \| (\d+) \| (\d+) \| (\d+) \| (\d+) \| (.+) \|$",
        section("Physics"),
        re.MULTILINE,
    )
    listed = {kind: (*map(int, times), leaves) for kind, *times, leaves in rows}
    assert listed == {
        name: (kind.open_ms, kind.close_ms, kind.prepare_ms, kind.abort_ms, kind.pallet_leaves)
        for name, kind in KINDS.items()
    }
