"""A walk finds the station that obeys too well, and its protocol says what was seen."""

import asyncio
import json
from decimal import Decimal

import pytest
from asyncua import Server, ua
from ruamel.yaml import YAML

from supervisor.cell.model import Coverage, Program, Station
from supervisor.cell.profile import read_profile
from supervisor.cell.value import replace
from supervisor.commission_verbs import signer
from supervisor.stations.adapter import Wiring
from supervisor.stations.connection import LinkOptions
from supervisor.stations.walk import Visit, Walk
from supervisor.stations.walk_protocol import (
    SAFETY_NOTICE,
    Protocol,
    Step,
    Subject,
    as_html,
    as_json,
)
from supervisor.stations.walk_steps import STEPS

pytestmark = [pytest.mark.integration, pytest.mark.timeout(120)]

URI = "urn:pointsman:test:careless"
T = ua.VariantType
PROFILE = """
profile: careless
kind: station
title: A station that starts whenever it is told to
namespaces: {x: "urn:pointsman:test:careless"}
nodes:
  mode: {path: x:Mode, type: Int32}
  door: {path: x:Door, type: Int32}
  nest: {path: x:Nest, type: Boolean}
  work: {path: x:Work, type: Int32}
  run: {path: x:RunId, type: String}
  result: {path: x:Result, type: String}
  door_order: {path: x:OrderDoor, type: Method}
  prepare: {path: x:Prepare, type: Method}
  start: {path: x:Start, type: Method}
  abort: {path: x:Abort, type: Method}
facets:
  mode: {node: mode, codes: {2: automatic}}
  door: {node: door, codes: {0: closed, 1: open}}
  nest: {node: nest, truth: {true: occupied, false: empty}}
  work: {node: work, codes: {0: idle, 1: prepared, 2: running, 4: finished}}
echoes: {run: run}
orders:
  open_door: {by: call, node: door_order, arguments: [{type: Int32, value: 1}], limit_s: 5}
  close_door: {by: call, node: door_order, arguments: [{type: Int32, value: 0}], limit_s: 5}
  prepare: {by: call, node: prepare, limit_s: 5}
  start: {by: call, node: start, arguments: [{type: String, field: run_id}], limit_s: 5}
  abort: {by: call, node: abort, limit_s: 5}
  acknowledge: not supported
  clear_fault: not supported
results:
  form: json
  node: result
  run: run
  rows: values
  columns: {number: "no", value: value}
  unit: mm
"""
STATION = Station(
    station="careless-1",
    title="A careless station",
    kind="tactile",
    url="",
    profile="careless",
    at_mm=0,
    door_ms_max=5_000,
    start_ms_max=5_000,
    late_factor=Decimal(1),
)
PROGRAM = Program(
    program="p",
    station="careless-1",
    part_type="cam-ring",
    name="P",
    number=1,
    revision="1",
    covers=(Coverage(number="1", expanded_u=Decimal("0.001"), k=Decimal(2)),),
    part_free_ms=1_000,
    result_ms=1_000,
)


class Careless:
    """The station: it does whatever is ordered, and counts its runs."""

    def __init__(self, nodes):
        self._nodes = nodes
        self.started_with_door = []

    async def show(self, name, content, kind=T.Int32):
        await self._nodes[name].write_value(content, kind)

    async def order_door(self, _parent, wanted):
        await self.show("Door", wanted.Value)

    async def prepare(self, _parent):
        await self.show("Work", 1)

    async def start(self, _parent, run):
        self.started_with_door.append(await self._nodes["Door"].read_value())
        await self.show("RunId", run.Value, T.String)
        await self.show("Work", 2)

    async def abort(self, _parent):
        await self.show("Work", 0)


@pytest.fixture
async def careless():
    """The careless station's server: its address and its model."""
    server = Server()
    await server.init()
    server.set_endpoint("opc.tcp://127.0.0.1:0")
    server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
    index = await server.register_namespace(URI)
    root, nodes = server.nodes.objects, {}
    model = Careless(nodes)
    for name, content, kind in (
        ("Mode", 2, T.Int32),
        ("Door", 0, T.Int32),
        ("Nest", True, T.Boolean),
        ("Work", 0, T.Int32),
        ("RunId", "", T.String),
        ("Result", "", T.String),
    ):
        nodes[name] = await root.add_variable(index, name, ua.Variant(content, kind))
    number, text = ua.Argument(Name="Value"), ua.Argument(Name="Run")
    number.DataType, text.DataType = ua.NodeId(T.Int32.value), ua.NodeId(T.String.value)
    number.ValueRank = text.ValueRank = -1
    await root.add_method(index, "OrderDoor", model.order_door, [number], [])
    await root.add_method(index, "Prepare", model.prepare, [], [])
    await root.add_method(index, "Start", model.start, [text], [])
    await root.add_method(index, "Abort", model.abort, [], [])
    async with server:
        yield f"opc.tcp://127.0.0.1:{server.bserver.port}", model


class Nobody:
    """Agrees to some things, does nothing."""

    def __init__(self, *refused):
        self.asked = []
        self._refused = refused

    async def agrees(self, question):
        self.asked.append(question)
        return not any(word in question for word in self._refused)

    async def does(self, _act, _request):
        return False

    def told(self, step):
        pass


async def walked(url, person, *names, text=PROFILE):
    """The steps of a walk by their names."""
    profile = read_profile(YAML(typ="safe").load(text))
    wiring = Wiring(options=LinkOptions(interval_ms=20))
    visit = Visit(program=PROGRAM, serial="S", run_no=7)
    walk = Walk(replace(STATION, url=url), profile, wiring, visit, person)
    steps = await walk.run(tuple(step for step in STEPS if step.name in names))
    return {step.name: step for step in steps}


async def test_a_station_that_starts_with_an_open_door_is_found_and_stopped(careless):
    url, model = careless
    steps = await walked(url, Nobody(), "connect", "facets", "refuse-open")
    assert steps["connect"].verdict == steps["facets"].verdict == "passed"
    found = steps["refuse-open"]
    assert found.verdict == "failed"
    assert found.why.startswith("the station started with door open; it has to refuse by itself")
    assert model.started_with_door == [1]
    seen = [(each.what, each.seen) for each in found.observations]
    assert ("before the order", "mode automatic, door open, nest occupied, work prepared") in seen
    assert ("work", "prepared → running") in seen
    assert ("work", "running → idle") in seen


async def test_a_station_that_cannot_be_reached_is_asked_nothing_more(monkeypatch):
    monkeypatch.setattr("supervisor.stations.walk_steps.CONNECT_S_MAX", 0.3)
    person = Nobody()
    steps = await walked("opc.tcp://127.0.0.1:9", person, "connect", "facets", "door-open", "run")
    assert steps.pop("connect").verdict == "failed"
    assert {(step.verdict, step.why) for step in steps.values()} == {
        ("not done", "there was no connection")
    }
    assert person.asked == []


async def test_nothing_moves_without_consent(careless):
    url, model = careless
    person = Nobody("")
    steps = await walked(url, person, "connect", "door-open", "refuse-open", "prepare", "run")
    assert len(person.asked) == 4
    assert {step.verdict for name, step in steps.items() if name != "connect"} == {"not done"}
    assert model.started_with_door == []
    assert await model._nodes["Door"].read_value() == 0
    assert await model._nodes["Work"].read_value() == 0


async def test_a_result_that_lacks_a_characteristic_fails(careless):
    url, model = careless

    async def finish():
        while await model._nodes["Work"].read_value() != 2:  # noqa: ASYNC110 - the server knows no event for it
            await asyncio.sleep(0.01)
        result = {"run": "walk-7", "values": [{"no": "2", "value": 1.0}]}
        await model.show("Result", json.dumps(result), T.String)
        await model.show("Work", 4)

    finishing = asyncio.create_task(finish())
    steps = await walked(url, Nobody(), "connect", "prepare", "run", "result")
    await finishing
    assert steps["run"].verdict == "passed"
    assert (steps["result"].verdict, steps["result"].why) == ("failed", "no value for 1")


async def test_the_result_of_an_earlier_run_is_not_judged_nor_acknowledged_nor_started_over(
    careless,
):
    url, model = careless
    await model.show("RunId", "R41", T.String)
    await model.show("Work", 4)
    steps = await walked(url, Nobody("measures"), "connect", "run", "result", "acknowledge")
    assert {name: step.verdict for name, step in steps.items()} == {
        "connect": "passed",
        "run": "not done",
        "result": "not done",
        "acknowledge": "not done",
    }
    assert steps["result"].why == "no run has started"
    assert steps["acknowledge"].why.endswith("a result of an earlier one is left alone")

    ordered = PROFILE.replace(
        "acknowledge: not supported", "acknowledge: {by: call, node: prepare, limit_s: 5}"
    )
    steps = await walked(url, Nobody(), "connect", "prepare", "run", "result", text=ordered)
    assert steps.pop("connect").verdict == "passed"
    assert {step.verdict for step in steps.values()} == {"not done"}
    for name in ("prepare", "run"):
        assert "the result of run R41 stands there and is not acknowledged" in steps[name].why
        assert steps[name].why.endswith("then walk again")
    assert await model._nodes["Work"].read_value() == 4


async def test_where_nobody_answers_nothing_is_done():
    steps = await walked("opc.tcp://127.0.0.1:9", Nobody(), "prepare", "run", "acknowledge")
    assert {step.verdict for step in steps.values()} == {"not done"}


def protocol(*verdicts):
    subject = Subject(
        cell="c", revision="r", station="s", title="<b>S</b>", url="u", security="none", profile="p",
        program="", boot="", supervisor="", by="B. & Co", how="with a person",
    )  # fmt: skip
    steps = tuple(
        Step(name="n", title="t", expected="e", verdict=verdict, why="", began="", lasted_s=0.0, observations=())
        for verdict in verdicts
    )  # fmt: skip
    return Protocol(subject=subject, began="2025-11-25T09:00:00Z", ended="", steps=steps)


@pytest.mark.parametrize(
    ("verdicts", "whole"),
    [
        (("passed", "passed"), "passed"),
        (("passed", "not done"), "incomplete"),
        (("not done", "failed"), "failed"),
    ],
)
def test_a_protocol_passes_only_with_every_step(verdicts, whole):
    made = protocol(*verdicts)
    assert made.verdict == as_json(made)["verdict"] == whole
    assert as_json(made)["safety_notice"] == SAFETY_NOTICE
    page = as_html(made)
    assert f"{whole.capitalize()}: " in page
    assert "Signature" in page
    assert "<b>S</b>" not in page
    assert "B. &amp; Co" in page


def test_an_unattended_walk_is_not_signed_with_the_name_of_whoever_was_logged_in():
    assert signer("", "attended", "weaver") == "weaver"
    assert signer("M. Weaver", "unattended", "weaver") == "M. Weaver"
    assert signer("", "unattended", "weaver") == "nobody; an unattended run that weaver started"
