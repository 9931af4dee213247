"""Browsing: what a server offers, which shipped profile fits, and a first profile for a station that nobody knows."""

import pytest
from asyncua import Server, ua
from pydantic import ValidationError
from ruamel.yaml import YAML

from supervisor.cell.profile import read_profile
from supervisor.stations import browse
from supervisor.stations.browse import as_text, survey
from supervisor.stations.first_profile import first_profile
from supervisor.stations.security import NoSecurity

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

OWN = "urn:pointsman:test:unknown-make"
VISION = (
    "http://opcfoundation.org/UA/MachineVision"  # OPC 40100-1, namespace of its published nodeset
)
T = ua.VariantType
PROFILES = {"scan-1": "scan-methods", "touch-1": "touch-datablock", "ct-1": "ct-pulse", "rack": "rack-reader"}  # fmt: skip


@pytest.fixture
async def unknown():
    """The address of a station of a make without profile, as a maker might build it."""
    server = Server()
    await server.init()
    server.set_endpoint("opc.tcp://127.0.0.1:0")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    await server.register_namespace(VISION)
    index = await server.register_namespace(OWN)
    unit = await server.nodes.objects.add_object(index, "Gauge")
    for name, content, kind in (
        ("OperationMode", 2, T.Int32),
        ("DoorState", "zu", T.String),
        ("PartPresent", True, T.Boolean),
        ("JobState", 0, T.UInt16),
        ("JobId", "", T.String),
        ("Temperature", [20.0, 20.5], T.Double),
    ):
        await unit.add_variable(index, name, ua.Variant(content, kind))
    for name in ("OpenDoor", "CloseDoor", "SelectProgram", "Start", "Stop"):
        await unit.add_method(index, name, lambda _parent: [], [], [])
    async with server:
        yield f"opc.tcp://127.0.0.1:{server.bserver.port}"


@pytest.mark.parametrize(("station", "profile"), PROFILES.items())
async def test_the_shipped_profile_of_a_known_make_fits_and_no_other(station, profile, machines):
    found = await survey(machines.urls[station], NoSecurity())
    assert [(fit.profile, fit.why) for fit in found.fits] == [(profile, "")]
    text = first_profile(found, "mine")
    assert f"#   profile: {profile}" in text
    assert all(line.startswith("#") for line in text.splitlines())


async def test_the_tree_shows_variables_with_type_value_and_access_and_methods(unknown):
    text = as_text(await survey(unknown, NoSecurity()))
    assert "  model Machine vision (OPC 40100-1): " + VISION in text
    assert f"  own namespace {OWN}" in text
    for line in (
        "    OperationMode: Int32 = 2",
        "    DoorState: String = 'zu'",
        "    Temperature: Double[] = [20.0, 20.5]",
        "    SelectProgram()",
    ):
        assert line in text.splitlines()


async def test_a_first_profile_proposes_facets_and_orders_and_says_that_they_are_proposals(unknown):
    text = first_profile(await survey(unknown, NoSecurity()), "gauge")
    written = YAML(typ="safe").load(text)
    gauge = "n3:Gauge/n3:"
    assert written["namespaces"]["n3"] == OWN
    assert {name: node["path"] for name, node in written["nodes"].items()} == {
        "mode": f"{gauge}OperationMode",
        "door": f"{gauge}DoorState",
        "nest": f"{gauge}PartPresent",
        "work": f"{gauge}JobState",
        "run": f"{gauge}JobId",
        "open_door": f"{gauge}OpenDoor",
        "close_door": f"{gauge}CloseDoor",
        "prepare": f"{gauge}SelectProgram",
        "start": f"{gauge}Start",
        "abort": f"{gauge}Stop",
    }
    assert written["facets"]["door"] == {"node": "door", "texts": {"zu": "unknown"}}
    assert written["orders"]["acknowledge"] == "not supported"
    proposing = [line for line in text.splitlines() if "path:" in line or "codes:" in line]
    assert all("# proposal" in line for line in proposing)


async def test_nobody_drives_by_a_first_profile_before_it_is_completed(unknown):
    text = first_profile(await survey(unknown, NoSecurity()), "gauge")
    with pytest.raises(ValidationError, match="results"):
        read_profile(YAML(typ="safe").load(text))


async def test_browsing_ends_at_its_limit_and_says_so(unknown, monkeypatch):
    monkeypatch.setattr(browse, "NODES_MAX", 8)
    found = await survey(unknown, NoSecurity())
    assert len(list(found.tree.below())) == 8
    assert "There is more: browsing ended after 8 nodes." in as_text(found)
