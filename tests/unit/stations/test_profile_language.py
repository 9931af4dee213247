"""The profile language: what a profile may say, and how a mistake is answered."""

import json
from typing import Any, get_args

import pytest
from pydantic import ValidationError
from ruamel.yaml import YAML

from supervisor.cell import profile_language as language
from supervisor.cell.document import validate
from supervisor.cell.folder import read_folder
from supervisor.cell.profile import (
    profile_model,
    profile_problems,
    read_profile,
    shipped_profiles,
)
from supervisor.cell.shipped import shipped_table
from supervisor.core import events
from supervisor.stations.trouble import LinkLost
from supervisor.stations.wanted import orders_there
from supervisor.verdict import result

SHIPPED = sorted(path.stem for path in shipped_profiles().glob("*.yaml"))


def written(name: str) -> Any:
    return YAML(typ="safe").load(json.dumps(shipped_table(name)))


def put(content: Any, path: tuple[Any, ...], new: Any) -> Any:
    *way, last = path
    here = content
    for step in way:
        here = here[step]
    if new is ...:
        del here[last]
    else:
        here[last] = new
    return content


def test_the_models_have_a_shipped_profile():
    assert SHIPPED == [
        "autoid",
        "ct-pulse",
        "gms",
        "handler-orders",
        "handler-permits",
        "job-control",
        "level-handshake",
        "machine-vision",
        "machinery-result",
        "packml",
        "packml-commands",
        "pulse-handshake",
        "rack-reader",
        "robotics",
        "scan-methods",
        "touch-datablock",
    ]


@pytest.mark.parametrize("name", SHIPPED)
def test_a_shipped_profile_is_sound_and_bears_the_name_of_its_file(name):
    table, problems = shipped_table(name), []
    content, refusals = validate(table, profile_model(table.get("kind")))
    assert [str(p) for p in (*problems, *refusals)] == []
    assert content.profile == name
    assert profile_problems(content) == []


@pytest.mark.parametrize(
    ("ours", "core"),
    [
        (language.ModeWord, events.Mode),
        (language.DoorWord, events.Door),
        (language.PresenceWord, events.Presence),
        (language.WorkWord, events.Work),
        (language.PhaseWord, events.Phase),
        (language.TagWord, events.TagStatus),
        (language.QualityWord, result.Quality),
    ],
)
def test_a_profile_speaks_the_words_of_the_core(ours, core):
    assert get_args(ours) == get_args(core)


REFUSED = [
    ("scan-methods", ("kind",), "robot", ("kind",), "handler"),
    ("scan-methods", ("kind",), ..., ("kind",), "required"),
    ("scan-methods", ("colour",), "red", ("colour",), "not permitted"),
    ("scan-methods", ("facets", "mode", "node_name"), "mode", ("facets", "mode", "node_name"), "not permitted"),
    ("scan-methods", ("facets", "mode", "texts", "AUTO"), "auto", ("facets", "mode", "texts", "AUTO"), "automatic"),
    ("scan-methods", ("facets", "work", "codes", 3), "free", ("facets", "work", "codes", 3), "part free"),
    ("scan-methods", ("facets", "door", "codes"), {"one": "open"}, ("facets", "door", "codes", "one"), "whole number"),
    ("scan-methods", ("facets", "nest", "truth"), {"yes": "empty"}, ("facets", "nest", "truth", "yes"), "true or false"),
    ("scan-methods", ("orders", "abort"), ..., ("orders", "abort"), "required"),
    ("scan-methods", ("orders", "abort"), {"by": "mail"}, ("orders", "abort"), "an order"),
    ("scan-methods", ("orders", "abort"), "none", ("orders", "abort"), "an order"),
    ("scan-methods", ("orders", "start", "limit_s"), 0, ("orders", "start", "call", "limit_s"), "more than 0"),
    ("scan-methods", ("orders", "start", "limit_s"), ..., ("orders", "start", "call", "limit_s"), "required"),
    ("scan-methods", ("nodes", "mode", "type"), "string", ("nodes", "mode", "type"), "one of Boolean"),
    ("scan-methods", ("nodes", "mode", "type"), "Method[]", ("nodes", "mode", "type"), "one of Boolean"),
    ("scan-methods", ("results", "form"), "xml", ("results",), "json"),
    ("scan-methods", ("results", "columns", "value"), ..., ("results", "json", "columns", "value"), "required"),
    ("touch-datablock", ("facets", "work", "bits", 0, "word"), "broken", ("facets", "work", "bits", 0, "word"), "aborted"),
    ("touch-datablock", ("results", "qualities", 0), "fine", ("results", "arrays", "qualities", 0), "uncertain"),
    ("handler-permits", ("permit", "lasts_s"), 0.0, ("permit", "lasts_s"), "more than 0"),
    ("rack-reader", ("orders", "read_tag", "statuses", 1), "empty", ("orders", "read_tag", "statuses", 1), "no tag"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "path", "new", "at", "says"), REFUSED)
def test_what_the_language_does_not_know_is_refused_at_its_place(name, path, new, at, says):
    with pytest.raises(ValidationError) as refusal:
        read_profile(put(written(name), path, new))
    (error,) = refusal.value.errors()
    assert tuple(str(step) for step in error["loc"] if step != "[key]") == tuple(
        str(step) for step in at
    )
    assert says in f"{error['msg']} {error.get('ctx')}"


SCAN, TOUCH, CT, KEPT = "scan-methods", "touch-datablock", "ct-pulse", "machinery-result"
DOOR, NEST = ("facets", "door"), ("facets", "nest")
STATUS = {"node": "status", "codes": {0: "open"}}
SWITCHES = [{"node": "area_echo", "word": "open"}, {"node": "fault_ack", "word": "closed"}]


def switched(*switches):
    return {"switches": list(switches), "otherwise": "moving"}


def case(**condition):
    return {"cases": [{"when": [{"node": "status", "is": [1], **condition}], "word": "open"}]}


ABORT, RESULTS = ("orders", "abort"), ("results",)


def turned(by, node, echo):
    return {"by": by, "node": node, "echo": echo, "limit_s": 2}


def due(node, wanted):
    when = [{"node": node, "is": [wanted]}]
    return {"by": "steps", "steps": [{**turned("count", "abort_request", "abort_echo"), "when": when}]}  # fmt: skip


def argued(argument):
    return {"by": "call", "node": "abort", "arguments": [argument], "limit_s": 2}


ARGUMENT = (*ABORT, "arguments", 0)
ORDER_MISFITS = [
    (TOUCH, ABORT, turned("toggle", "abort_request", "abort_echo"), (*ABORT, "node"), "of type UInt32", "Boolean"),
    (TOUCH, ABORT, turned("toggle", "fault_ack", "abort_echo"), (*ABORT, "echo"), "of type UInt32", "Boolean"),
    (TOUCH, ABORT, turned("count", "abort_request", "abort_request"), (*ABORT, "echo"), "`abort_request`, which is written", "the station itself writes"),
    (TOUCH, ABORT, turned("count", "fault_ack", "area_echo"), (*ABORT, "node"), "of type Boolean", "UInt16"),
    (TOUCH, ABORT, {"by": "steps", "steps": []}, (*ABORT, "steps"), "nothing", "at least one step"),
    (TOUCH, ABORT, {"by": "steps", "steps": [turned("count", "abort", "abort_echo")]}, (*ABORT, "steps", 0, "node"), "the node `abort`", "a declared node"),
    (TOUCH, ABORT, due(node="busy", wanted=1), (*ABORT, "steps", 0, "when", 0, "node"), "the node `busy`", "a declared node"),
    (TOUCH, ABORT, due(node="abort_echo", wanted="x"), (*ABORT, "steps", 0, "when", 0, "is", 0), "'x'", "a content of the type UInt32"),
    (TOUCH, ABORT, due(node="abort_echo", wanted=1)["steps"][0], (*ABORT, "when"), "an order that is no step", "no `when` here"),
    (SCAN, ABORT, argued({"type": "Structure", "value": 1}), (*ARGUMENT, "value"), "1", "a Structure"),
    (SCAN, ABORT, argued({"type": "String", "members": {}}), (*ARGUMENT, "members"), "`members` for a String", "a Structure"),
    (SCAN, ABORT, argued({"type": "String", "items": []}), (*ARGUMENT, "items"), "`items` for a String", "an array"),
    (SCAN, ABORT, argued({"type": "Structure", "members": {"Id": {"type": "String", "field": "serial"}}}), (*ARGUMENT, "members", "Id", "field"), "`serial`", "a field of this order"),
    (SCAN, ABORT, argued({"type": "String[]", "items": [{"type": "Int32", "value": 1}]}), (*ARGUMENT, "items", 0, "type"), "Int32", "a String"),
    (SCAN, ABORT, argued({"type": "Structure", "members": {}, "items": []}), ARGUMENT, "members and items", "`items` of an array"),
    (SCAN, (*ABORT, "checks"), [{"output": 0, "value": 1}], (*ABORT, "checks", 0, "output"), "0", "from 1"),
    (SCAN, (*ABORT, "checks"), [{"output": 1}], (*ABORT, "checks", 0), "neither", "either `field` or `value`"),
    (SCAN, (*ABORT, "checks"), [{"output": 1, "field": "serial"}], (*ABORT, "checks", 0, "field"), "`serial`", "a field of this order"),
]  # fmt: skip

COLUMNS = {"number": "1", "value": "2"}


def csv_results(**more):
    return {
        "form": "csv",
        "node": "res_serial",
        "columns": COLUMNS,
        "unit": "mm",
        "preamble": ["run"],
        **more,
    }


def asked(**more):
    call = {"node": "abort", "output": 1, "limit_s": 2, **more}
    return {
        "form": "document",
        "call": call,
        "rows": "Rows",
        "run": "Run",
        "columns": COLUMNS,
        "unit": "mm",
    }


RESULT_MISFITS = [
    (TOUCH, RESULTS, csv_results(node="status"), (*RESULTS, "node"), "of type UInt16", "String or ByteString or File"),
    (TOUCH, RESULTS, csv_results(decimal=","), (*RESULTS, "decimal"), ",", "another character"),
    (TOUCH, RESULTS, csv_results(heading="absent", columns={"number": "no", "value": "2"}), (*RESULTS, "columns", "number"), "no", "the position"),
    (SCAN, RESULTS, asked(node="aborts"), (*RESULTS, "call", "node"), "the node `aborts`", "a declared node"),
    (SCAN, RESULTS, asked(output=0), (*RESULTS, "call", "output"), "0", "from 1"),
    (SCAN, RESULTS, asked(status=2), (*RESULTS, "call", "accepted"), "nothing", "together"),
    (SCAN, RESULTS, asked(arguments=[{"type": "String", "field": "pallet"}]), (*RESULTS, "call", "arguments", 0, "field"), "`pallet`", "run_id"),
    (SCAN, RESULTS, {**asked(), "node": "run"}, RESULTS, "both", "either `node` or `call`"),
    (TOUCH, (*RESULTS, "created"), "status", (*RESULTS, "created"), "`status` of type UInt16", "DateTime or String"),
]  # fmt: skip

FACET_MISFITS = [
    (TOUCH, DOOR, {**STATUS, "pick": {}}, (*DOOR, "pick"), "nothing", "the part that is meant"),
    (TOUCH, DOOR, {**STATUS, "pick": {"field": "A"}}, (*DOOR, "pick", "field"), "`status` of type UInt16", "a node of type Structure"),
    (TOUCH, DOOR, {**STATUS, "pick": {"entry": 0}}, (*DOOR, "pick", "entry"), "`status` of type UInt16", "an array"),
    (TOUCH, DOOR, {**STATUS, "pick": {"bit": 16, "width": 1}}, (*DOOR, "pick", "bit"), "bit 16", "from 0 to 15"),
    (TOUCH, DOOR, {**STATUS, "pick": {"bit": 14, "width": 3}}, (*DOOR, "pick", "width"), "3 bits from bit 14", "16 bits"),
    (TOUCH, DOOR, {**STATUS, "pick": {"width": 3}}, (*DOOR, "pick", "width"), "3", "`bit` beside"),
    (TOUCH, DOOR, {**STATUS, "pick": {"bit": 3}}, (*DOOR, "pick"), "a part of type Boolean", "UInt16"),
    (TOUCH, DOOR, {"node": "area_echo", "truth": {True: "open"}, "pick": {"bit": 0}}, (*DOOR, "pick", "bit"), "`area_echo` of type Boolean", "a word"),
    (TOUCH, DOOR, {"node": "res_serial", "texts": {"a": "open"}, "pick": {"split": ";"}}, (*DOOR, "pick", "split"), "no entry", "`entry` beside"),
    (TOUCH, DOOR, {**STATUS, "missing": "closed"}, (*DOOR, "missing"), "closed", "no `missing` without"),
    (TOUCH, DOOR, {**STATUS, "settle_ms": 0}, (*DOOR, "settle_ms"), "0", "more than 0"),
    (TOUCH, DOOR, {"node": "status", **switched(*SWITCHES)}, (*DOOR, "node"), "status", "no node beside `switches`"),
    (TOUCH, DOOR, {"switches": SWITCHES}, (*DOOR, "otherwise"), "nothing", "no switch is on"),
    (TOUCH, DOOR, switched(SWITCHES[0], {"node": "status", "word": "closed"}), (*DOOR, "switches", 1, "node"), "`status` of type UInt16", "Boolean"),
    (TOUCH, DOOR, switched(SWITCHES[0], SWITCHES[0]), (*DOOR, "switches", 1, "node"), "`area_echo` again", "each switch once"),
    (TOUCH, DOOR, switched({"node": "status", "pick": {"bit": 16}, "word": "open"}), (*DOOR, "switches", 0, "pick", "bit"), "bit 16", "from 0 to 15"),
    (TOUCH, DOOR, {"cases": [{"when": [], "word": "open"}]}, (*DOOR, "cases", 0, "when"), "nothing", "at least one condition"),
    (TOUCH, DOOR, case(**{"is": []}), (*DOOR, "cases", 0, "when", 0, "is"), "nothing", "must show"),
    (TOUCH, DOOR, case(**{"is": ["1"]}), (*DOOR, "cases", 0, "when", 0, "is", 0), "'1'", "UInt16"),
    (TOUCH, DOOR, case(node="stat"), (*DOOR, "cases", 0, "when", 0, "node"), "the node `stat`", "a declared node"),
    (TOUCH, DOOR, {"node": "status", "bits": [{"bit": 4, "word": "open"}], "otherwise": "closed"}, NEST, "bit 4 of `status`, which `facets.door` looks at already", "a switch of its own"),
    (TOUCH, DOOR, switched({"node": "status", "pick": {"bit": 4}, "word": "open"}), NEST, "bit 4 of `status`", "a switch of its own"),
    (TOUCH, ("heartbeat",), {"node": "res_value", "within_s": 2}, ("heartbeat", "node"), "of type Double[]", "Boolean"),
    (TOUCH, ("heartbeat",), {"node": "status", "pick": {"bit": 40}, "within_s": 2}, ("heartbeat", "pick", "bit"), "bit 40", "0 to 15"),
    (TOUCH, ("echoes", "run"), {"node": "run_echo", "pick": {"entry": 1}}, ("echoes", "run", "pick", "entry"), "`run_echo` of type UInt32", "an array"),
]  # fmt: skip
MISFITS = [
    (SCAN, ("root",), "scan:Scanner", ("root",), "the prefix `scan`", "a declared prefix: s"),
    (SCAN, ("root",), "s:Scanner//s:A", ("root",), '"s:Scanner//s:A"', "a browse path"),
    (SCAN, ("nodes", "mode", "path"), "x:Mode", ("nodes", "mode", "path"), "the prefix `x`", "a declared prefix"),
    (SCAN, ("nodes", "mode"), {"type": "String"}, ("nodes", "mode"), "neither", "either `path` or `id`"),
    (SCAN, ("nodes", "mode", "id"), "s;s=Mode", ("nodes", "mode"), "both", "either `path` or `id`"),
    (SCAN, ("nodes", "mode", "name"), "s:Mode", ("nodes", "mode", "name"), "s:Mode", "no `name` beside `path`"),
    (SCAN, ("nodes", "mode"), {"type": "String", "id": "s;i=Mode", "name": "s:Mode"}, ("nodes", "mode", "id"), '"s;i=Mode"', "a node id"),
    (SCAN, ("nodes", "mode"), {"type": "String", "id": "s;s=Mode"}, ("nodes", "mode", "name"), "nothing", "the browse name"),
    (SCAN, ("nodes", "start"), {"type": "Method", "id": "s;s=Start", "name": "s:Start"}, ("nodes", "start", "on"), "nothing", "a node id"),
    (SCAN, ("nodes", "mode", "path"), "s:{place}/s:Mode", ("nodes", "mode", "path"), "one for each place", "a single node"),
    (SCAN, ("facets", "mode", "node"), "modus", ("facets", "mode", "node"), "the node `modus`", "a declared node"),
    (SCAN, ("facets", "mode", "node"), "door", ("facets", "mode", "node"), "`door` of type Int32", "String or LocalizedText"),
    (SCAN, ("facets", "mode", "node"), ..., ("facets", "mode", "node"), "nothing", "the node that `texts` interprets"),
    (SCAN, ("facets", "mode", "codes"), {1: "manual"}, ("facets", "mode"), "codes and texts", "exactly one of"),
    (SCAN, ("facets", "mode", "texts"), ..., ("facets", "mode"), "none of them", "exactly one of"),
    (SCAN, ("facets", "nest"), {"node": "nest", "always": "empty"}, ("facets", "nest", "node"), "nest", "no node beside `always`"),
    (SCAN, ("facets", "door", "node"), "run", ("facets", "door", "node"), "`run` of type String", "Int32"),
    (SCAN, ("facets", "work"), {"node": "work", "names": {"Idle": "idle"}}, ("facets", "work", "node"), "`work` of type Int32", "Enumeration"),
    (TOUCH, ("facets", "work", "bits", 0, "bit"), 16, ("facets", "work", "bits", 0, "bit"), "bit 16", "from 0 to 15"),
    (TOUCH, ("facets", "work", "bits", 0, "bit"), -1, ("facets", "work", "bits", 0, "bit"), "bit -1", "from 0 to 15"),
    (TOUCH, ("facets", "work", "bits", 0, "bit"), 7, ("facets", "work", "bits", 1, "bit"), "bit 7 again", "each bit once"),
    (TOUCH, ("facets", "nest", "otherwise"), ..., ("facets", "nest", "otherwise"), "nothing", "no bit is set"),
    *FACET_MISFITS,
    *ORDER_MISFITS,
    *RESULT_MISFITS,
    (TOUCH, ("echoes", "run"), "status_word", ("echoes", "run"), "the node `status_word`", "a declared node"),
    (TOUCH, ("echoes", "serial"), "run_echo", ("echoes", "serial"), "`run_echo` of type UInt32", "String"),
    (SCAN, ("echoes", "counter"), "run", ("echoes", "counter"), "`run` of type String", "UInt32"),
    (SCAN, ("orders", "start", "node"), "work", ("orders", "start", "node"), "`work` of type Int32", "Method"),
    (SCAN, ("orders", "start", "arguments", 0, "field"), "runid", ("orders", "start", "arguments", 0, "field"), "`runid`", "run_id"),
    (SCAN, ("orders", "abort", "arguments", 0, "field"), "serial", ("orders", "abort", "arguments", 0, "field"), "`serial`", "a field of this order"),
    (SCAN, ("orders", "start", "arguments", 0, "type"), "UInt32", ("orders", "start", "arguments", 0, "field"), "`run_id` for a UInt32", "UInt32"),
    (SCAN, ("orders", "start", "arguments", 0, "value"), "x", ("orders", "start", "arguments", 0), "both", "either `field` or `value`"),
    (SCAN, ("orders", "start", "accepted"), ..., ("orders", "start", "accepted"), "nothing", "mean yes"),
    (SCAN, ("orders", "start", "refused"), [0], ("orders", "start", "refused"), "0 in both lists", "one list"),
    (SCAN, ("orders", "start", "outputs"), {"text": 2}, ("orders", "start", "outputs", "status"), "nothing", "the output"),
    (SCAN, ("orders", "start", "outputs", "status"), 0, ("orders", "start", "outputs", "status"), "0", "from 1"),
    (SCAN, ("orders", "open_door"), "not supported", ("orders", "open_door"), "not supported", "moves the door"),
    (SCAN, ("orders", "start"), "not supported", ("orders", "start"), "not supported", "starts a run"),
    (TOUCH, ("orders", "open_door", "value"), 1, ("orders", "open_door", "value"), "1", "a Boolean"),
    (TOUCH, ("orders", "start", "field"), "run_id", ("orders", "start", "field"), "`run_id` for a UInt32", "UInt32"),
    (TOUCH, ("orders", "start", "echo"), "serial_echo", ("orders", "start", "echo"), "`serial_echo` of type String", "UInt32"),
    (TOUCH, ("orders", "start", "before", 0, "node"), "part", ("orders", "start", "before", 0, "node"), "the node `part`", "part_serial"),
    (TOUCH, ("orders", "start", "before", 0, "field"), "colour", ("orders", "start", "before", 0, "field"), "`colour`", "serial"),
    (CT, ("orders", "start", "acknowledge"), ..., ("orders", "start", "refusal"), "nak_start", "`acknowledge` beside"),
    (CT, ("orders", "start", "node"), "message", ("orders", "start", "node"), "`message` of type String", "Boolean"),
    (CT, ("facets", "door"), {"always": "none"}, ("orders", "open_door"), "an order", "no door order"),
    (TOUCH, ("results", "unit"), ..., ("results", "unit"), "nothing", "a unit"),
    (TOUCH, ("results", "qualities"), {}, ("results", "qualities"), "no code for `good`", "quality column"),
    (TOUCH, ("results", "columns", "value"), "res_serial", ("results", "columns", "value"), "of type String", "Double[]"),
    (CT, ("results", "node"), "message", ("results", "node"), "`message` of type String", "Structure[]"),
    ("handler-orders", ("facets", "jaws"), [], ("facets", "jaws"), "0 jaws", "1 to 2 jaws"),
    ("handler-orders", ("orders", "move"), "not supported", ("orders", "move"), "not supported", "moves the handler"),
    ("handler-permits", ("permit", "renew"), "not supported", ("permit", "renew"), "not supported", "renews the permit"),
    ("handler-permits", ("permit", "renew", "arguments", 0, "field"), "order", ("permit", "renew", "arguments", 0, "field"), "the field `order`", "one of beat, fence, permit_ms"),
    ("handler-orders", ("echoes", "inside"), "order", ("echoes", "inside"), "of type UInt32", "String"),
    ("rack-reader", ("nodes", "occupied", "path"), "r:Occupied", ("facets", "presence", "node"), "one for all places", "each place"),
    ("rack-reader", ("orders", "read_tag", "outputs", "payload"), ..., ("orders", "read_tag", "outputs", "payload"), "nothing", "payload"),
    (KEPT, ("results", "call", "find"), ..., ("results", "call", "find"), "the field `result_id` alone", "both or none"),
    (KEPT, ("results", "call", "arguments", 0, "field"), "run_id", ("results", "call", "find"), "`find` alone", "both or none"),
    (KEPT, ("results", "call", "find", "where", "field"), "result_id", ("results", "call", "find", "where", "field"), "result_id", "run_id, run_no, serial"),
    (KEPT, ("results", "call", "find", "where", "path"), "x:JobId", ("results", "call", "find", "where", "path"), "the prefix `x`", "a declared prefix"),
    (KEPT, ("results", "call", "find", "where", "type"), "2001", ("results", "call", "find", "where", "type"), '"2001"', "a node id"),
    (KEPT, ("results", "call", "find", "status"), ..., ("results", "call", "find", "status"), "nothing", "`status` and `accepted`"),
    (KEPT, ("results", "call", "instead", "output"), 0, ("results", "call", "instead", "output"), "0", "from 1"),
    (KEPT, ("results", "call", "instead", "node"), "jobs", ("results", "call", "instead", "node"), "Structure[]", "Method"),
    (KEPT, ("results", "stored", "arguments", 0, "items", 0, "field"), "serial", ("results", "stored", "arguments", 0, "items", 0, "field"), "`serial`", "run_id, run_no"),
    ("job-control", ("nodes", "response", "optional"), "no results", ("results",), "the optional node `response`", "a node that is there"),
    (KEPT, ("results", "id"), ..., ("results", "id"), "nothing", "the result's id"),
    (KEPT, ("results", "ready", "ResultMetaData.IsPartial"), [], ("results", "ready", "ResultMetaData.IsPartial"), "nothing", "at least one"),
    ("rack-reader", ("orders", "read_tag", "statuses", 0), "failed", ("orders", "read_tag", "statuses"), "no status for `read`", "that was read"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "path", "new", "at", "found", "expected"), MISFITS)
def test_what_does_not_fit_together_is_found_at_its_place(name, path, new, at, found, expected):
    problems = profile_problems(read_profile(put(written(name), path, new)))
    at_place = [problem for problem in problems if problem.path == at]
    assert [p.path for p in problems if p.path not in (at, *_follow(at))] == []
    (problem,) = at_place
    assert found in problem.found
    assert expected in problem.expected
    assert problem.remedy


def _follow(at):
    """A station without a door must drop both door orders, so one mistake shows twice."""
    return [("orders", "close_door")] if at == ("orders", "open_door") else []


def test_a_station_without_any_proof_of_belonging_is_refused():
    content = put(written(TOUCH), ("echoes",), {"serial": "serial_echo"})
    (problem,) = profile_problems(read_profile(put(content, ("results", "run"), ...)))
    assert problem.found == "no proof of belonging"


def test_all_mistakes_of_a_profile_are_found_in_one_go():
    content = put(written(SCAN), ("facets", "mode", "node"), "modus")
    content = put(content, ("orders", "start", "node"), "work")
    content = put(content, ("root",), "x:Scanner")
    assert len(profile_problems(read_profile(content))) == 3


@pytest.mark.parametrize("literal", [256, -1, 1.5, "7", True])
def test_a_literal_outside_its_type_is_refused(literal):
    content = written("handler-orders")
    content["orders"]["move"]["arguments"][3] = {"type": "Byte", "value": literal}
    (problem,) = profile_problems(read_profile(content))
    assert problem.path == ("orders", "move", "arguments", 3, "value")
    assert problem.expected == "a Byte"


def test_a_goal_word_may_be_translated_to_the_codes_of_the_handler():
    content = written("handler-orders")
    codes = {"approach": 1, "pick": 2, "put": 3, "swap": 4}
    content["orders"]["move"]["arguments"][1] = {"type": "Int16", "field": "action", "codes": codes}
    assert profile_problems(read_profile(content)) == []


# --- profiles that extend others ------------------------------------------------------------------------------------------


def own(text, tmp_path, name="ours"):
    """What a cell folder makes of its own profile."""
    folder = tmp_path / "profiles"
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    declaration, problems = read_folder(tmp_path, "2026-01-01")
    return declaration.profiles.get(name), [
        p for p in problems if p.file.startswith(("profiles", "(shipped)"))
    ]


def test_a_profile_states_only_what_differs(tmp_path):
    ours, problems = own(
        "profile: ours\nextends: touch-datablock\nroot: t:PLC/t:DB21\n"
        "nodes:\n  status: {path: t:Word, type: UInt32}\n"
        "facets:\n  nest: {node: status, bits: [{bit: 20, word: occupied}], otherwise: empty}\n",
        tmp_path,
    )
    under = read_profile(written(TOUCH))
    assert problems == []
    assert (ours.profile, ours.root, ours.title) == ("ours", "t:PLC/t:DB21", under.title)
    assert (ours.nodes["status"].type, ours.nodes["run_echo"]) == (
        "UInt32",
        under.nodes["run_echo"],
    )
    assert ours.facets.nest.bits[0].bit == 20
    assert (ours.facets.door, ours.orders, ours.results) == (
        under.facets.door,
        under.orders,
        under.results,
    )


def test_an_entry_that_is_stated_replaces_the_whole_entry(tmp_path):
    ours, problems = own(
        "profile: ours\nextends: touch-datablock\nfacets:\n  nest: {node: area_echo, truth: {true: occupied, false: empty}}\n",
        tmp_path,
    )
    assert problems == []
    assert ours.facets.nest.bits is None


@pytest.mark.parametrize(
    ("text", "line", "field", "found", "remedy"),
    [
        ("profile: ours\nextends: touch-datablok\n", 2, "extends", "`touch-datablok`", "touch-datablock"),
        ("profile: ours\nextends: our\n", 2, "extends", "`our`", "add its file"),
        ("profile: ours\nextends: ours\n", 2, "extends", "leads back", "remove one"),
        ("profile: ours\nextends: touch-datablock\nfacets:\n  doors: {always: none}\n", 4, "facets.doors", "the unknown key", "door"),
        ("profile: ours\nextends: touch-datablock\nnodes:\n  status: {path: t:W, type: Byte}\n", 2, "facets", "bit 8", "width"),
    ],
)  # fmt: skip
def test_a_mistake_in_an_extending_profile_is_shown_at_its_place(
    tmp_path, text, line, field, found, remedy
):
    ours, problems = own(text, tmp_path)
    assert ours is None
    first = problems[0]
    assert field in first.field or first.file.startswith("(shipped)")
    assert line == first.line or first.file == "(shipped) touch-datablock.yaml"
    assert found in first.found
    assert remedy in first.remedy


def test_a_facet_that_clashes_with_one_that_was_taken_over_is_named_with_both_places(tmp_path):
    _, problems = own(
        "profile: ours\nextends: touch-datablock\nfacets:\n"
        "  door: {node: status, bits: [{bit: 4, word: open}], otherwise: closed}\n",
        tmp_path,
    )
    (clash,) = problems
    assert (clash.file, clash.field) == ("profiles/ours.yaml", "facets.nest")
    lines = (shipped_profiles() / f"{TOUCH}.yaml").read_text("utf-8").splitlines()
    nest = next(at for at, line in enumerate(lines, 1) if line.startswith("  nest:"))
    assert f"`facets.nest` stands in (shipped) touch-datablock.yaml, line {nest}" in clash.found
    assert "`facets.door` stands in profiles/ours.yaml, line 4" in clash.found


def test_a_unit_that_no_characteristic_has_is_one_mistake_where_it_stands(tmp_path):
    text = "\n".join(
        (shipped_profiles() / f"{TOUCH}.yaml").read_text("utf-8").splitlines()
    ).replace("profile: touch-datablock", "profile: ours")
    line = next(at for at, each in enumerate(text.splitlines(), 1) if "unit: mm" in each)
    _, problems = own(text.replace("unit: mm", "unit: inch"), tmp_path)
    (wrong,) = problems
    assert (wrong.file, wrong.line, wrong.field) == ("profiles/ours.yaml", line, "results.unit")
    assert "mm" in wrong.expected
    assert "inch" in wrong.found


# --- what a station may be without ---------------------------------------------------------------------------------------

OPTIONAL = {"path": "s:Abort", "type": "Method", "optional": "a run cannot be ended"}
FIRST_ABORT = {"by": "first", "ways": [written(SCAN)["orders"]["abort"], "not supported"]}


@pytest.mark.parametrize(
    ("changes", "where", "expected"),
    [
        ({("nodes", "abort"): OPTIONAL}, ("orders", "abort"), "nodes that are there"),
        ({("orders", "abort"): FIRST_ABORT}, ("orders", "abort", "ways", 0), "an optional node in every way but the last"),
        ({("nodes", "abort"): OPTIONAL, ("orders", "abort"): {"by": "first", "ways": FIRST_ABORT["ways"][:1]}}, ("orders", "abort", "ways"), "at least two ways"),
        ({("nodes", "start", "optional"): "no runs", ("orders", "start"): {"by": "first", "ways": [written(SCAN)["orders"]["start"], "not supported"]}}, ("orders", "start"), "an order that starts a run"),
        ({("nodes", "open_door", "optional"): "no door", ("orders", "open_door"): {"by": "first", "ways": [written(SCAN)["orders"]["open_door"], "not supported"]}}, ("orders", "open_door"), "an order that moves the door"),
        ({("nodes", "result", "optional"): "no results"}, ("results",), "a node that is there"),
        ({("facets", "nest", "missing"): "unknown"}, ("facets", "nest", "missing"), "no `missing` without a `field` or `entry` to pick, or an optional node"),
    ],
)  # fmt: skip
def test_what_may_be_missing_has_a_stated_end(changes, where, expected):
    content = written(SCAN)
    for path, new in changes.items():
        put(content, path, new)
    problems = profile_problems(read_profile(content))
    assert (where, expected) in [(problem.path, problem.expected) for problem in problems]


def test_a_profile_with_optional_nodes_that_all_have_an_end_is_sound():
    content = put(
        put(written(SCAN), ("nodes", "abort"), OPTIONAL), ("orders", "abort"), FIRST_ABORT
    )
    put(content, ("nodes", "nest", "optional"), "presence is not known")
    put(content, ("facets", "nest", "missing"), "unknown")
    put(content, ("nodes", "serial", "optional"), "no serial number is echoed")
    assert profile_problems(read_profile(content)) == []


# --- requests that are withdrawn --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "new", "expected"),
    [
        (("orders", "start", "echo"), ..., "`echo` beside `withdraw`"),
        (("orders", "start", "withdraw"), "none", "a UInt32"),
        (("orders", "open_door", "withdraw"), True, "another value than the order's"),
    ],
)
def test_a_withdrawal_that_takes_nothing_back_is_refused(path, new, expected):
    problems = profile_problems(read_profile(put(written("level-handshake"), path, new)))
    where = (*path[:2], "withdraw")
    assert (where, expected) in [(problem.path, problem.expected) for problem in problems]


# --- tags that are found first ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "new", "where", "expected"),
    [
        (("orders", "read_tag", "found"), ..., ("orders", "read_tag", "memory"), "`found` beside `memory`"),
        (("orders", "read_tag", "found", "content"), [], ("orders", "read_tag", "found", "content"), "at least one path"),
        (("orders", "read_tag", "arguments", 0), {"type": "Structure", "found": "ScanData"}, ("orders", "read_tag", "arguments", 0, "found"), "a tag that was found before"),
        (("orders", "read_tag", "memory", "outputs"), {"status": 2}, ("orders", "read_tag", "memory", "outputs", "payload"), "the output that is the payload"),
        (("orders", "read_tag", "memory", "arguments", 5, "value"), "0f0", ("orders", "read_tag", "memory", "arguments", 5, "value"), "a ByteString"),
        (("nodes", "scan", "optional"), "nothing is read", ("orders", "read_tag", "node"), "a node that is there"),
    ],
)  # fmt: skip
def test_a_reading_that_does_not_fit_is_refused(path, new, where, expected):
    problems = profile_problems(read_profile(put(written("autoid"), path, new)))
    assert (where, expected) in [(problem.path, problem.expected) for problem in problems]


def test_an_order_that_has_to_be_there_is_needed_in_one_of_its_ways():
    """Both ways may be missing, each by itself: which one is there shows when the link comes up, and that one is shows then as well."""
    content = written("job-control")
    profile = read_profile(content)
    assert profile_problems(profile) == []
    assert set(orders_there(profile, {"store_and_start"})) >= {"start"}
    assert set(orders_there(profile, {"store", "start", "clear", "abort"})) & {"abort", "acknowledge"} == set()  # fmt: skip
    with pytest.raises(LinkLost, match="for the order start expected the nodes store_and_start, or store and start, found none"):  # fmt: skip
        orders_there(profile, {"store_and_start", "store"})
