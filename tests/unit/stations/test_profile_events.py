"""Events in the profile language: what is refused, with its place and a remedy."""

import copy
from pathlib import Path

import pytest
from pydantic import ValidationError
from ruamel.yaml import YAML

from supervisor.cell.profile import profile_problems, read_profile

FILE = Path(__file__).parents[2] / "integration/stations/event_station.yaml"
BEGUN, FINISHED = ("events", "begun"), ("events", "finished")
AFTER, QUERY = (*FINISHED, "after_outage"), (*FINISHED, "after_outage", "query")
OTHER_OBJECT = {"quiet": {"path": "e:Quiet", "type": "Object"}}


@pytest.fixture(scope="module")
def sound():
    return YAML(typ="safe").load(FILE.read_text(encoding="utf-8"))


def put(content, path, new):
    changed = copy.deepcopy(content)
    *way, last = path
    here = changed
    for step in way:
        here = here[step]
    if new is ...:
        del here[last]
    else:
        here[last] = new
    return changed


def test_the_profile_of_the_station_that_speaks_by_events_is_sound(sound):
    assert profile_problems(read_profile(sound)) == []


@pytest.mark.parametrize(
    ("path", "new", "at", "says"),
    [
        ((*BEGUN, "after_outage"), ..., ("events", "begun", "after_outage"), "required"),
        ((*BEGUN, "ends"), ..., ("events", "begun", "ends"), "required"),
        ((*BEGUN, "ends"), "never", ("events", "begun", "ends"), "next event"),
        ((*BEGUN, "ends", "orders"), ["move"], ("events", "begun", "ends", "Ends", "orders", 0), "acknowledge"),
        ((*BEGUN, "fields", "run_begun", "type"), "Text", ("events", "begun", "fields", "run_begun", "type"), "one of Boolean"),
        ((*BEGUN, "after_outage"), {"refresh": "alarms"}, ("events", "begun", "after_outage", "refresh"), "conditions"),
        ((*BEGUN, "after_outage"), {"order": "start"}, ("events", "begun", "after_outage", "order"), "prepare"),
        ((*QUERY, "fields"), ..., (*QUERY, "fields"), "required"),
        ((*BEGUN, "kind"), "pulse", ("events", "begun", "kind"), "not permitted"),
        (("nodes", "present", "type"), "Object[]", ("nodes", "present", "type"), "one of Boolean"),
    ],
)  # fmt: skip
def test_an_event_that_the_language_does_not_know_is_refused(sound, path, new, at, says):
    with pytest.raises(ValidationError) as refusal:
        read_profile(put(sound, path, new))
    errors = refusal.value.errors()
    there = [error for error in errors if _place(error["loc"]) == _place(at)]
    assert there, [error["loc"] for error in errors]
    assert says in f"{there[0]['msg']} {there[0].get('ctx')}"


def _place(path):
    return tuple(str(step) for step in path if step not in ("[key]", "Ends"))


@pytest.mark.parametrize(
    ("path", "new", "at", "found", "expected"),
    [
        ((*BEGUN, "type"), "", (*BEGUN, "type"), "nothing", "a path"),
        ((*BEGUN, "type"), "x:Begun", (*BEGUN, "type"), "the prefix `x`", "a declared prefix"),
        ((*BEGUN, "type"), "x;i=12", (*BEGUN, "type"), "the prefix `x`", "a declared prefix"),
        ((*BEGUN, "source"), "present", (*BEGUN, "source"), "of type Boolean", "Object"),
        ((*BEGUN, "source"), "camera", (*BEGUN, "source"), "the node `camera`", "a declared node"),
        ((*BEGUN, "fields", "run_begun", "path"), "", (*BEGUN, "fields", "run_begun", "path"), "nothing", "a path"),
        ((*BEGUN, "fields", "run_begun", "path"), "e:A//e:B", (*BEGUN, "fields", "run_begun", "path"), "A//", "a browse path"),
        ((*FINISHED, "fields", "state", "type"), "Method", (*FINISHED, "fields", "state", "type"), "Method", "the type of a value"),
        ((*BEGUN, "fields", "present"), {"path": "e:Run", "type": "String"}, (*BEGUN, "fields", "present"), "which is a node", "each name once"),
        ((*BEGUN, "fields", "state"), {"path": "e:Run", "type": "String"}, (*FINISHED, "fields", "state"), "a field of `begun`", "each name once"),
        ((*FINISHED, "only", 0, "node"), "busy", (*FINISHED, "only", 0, "node"), "`busy`", "a field of this event"),
        ((*FINISHED, "only", 0, "is"), ["one"], (*FINISHED, "only", 0, "is", 0), "'one'", "Int32"),
        ((*BEGUN, "ends"), {}, (*BEGUN, "ends"), "nothing", "something that ends the latch"),
        ((*BEGUN, "ends", "events"), ["begun"], (*BEGUN, "ends", "events", 0), "the event `begun`", "another event"),
        ((*BEGUN, "ends", "events"), ["ready"], (*BEGUN, "ends", "events", 0), "the event `ready`", "another event"),
        ((*BEGUN, "ends", "nodes", 0, "node"), "state", (*BEGUN, "ends", "nodes", 0, "node"), "the node `state`", "a declared node"),
        ((*BEGUN, "ends", "nodes", 0, "is"), ["9"], (*BEGUN, "ends", "nodes", 0, "is", 0), "'9'", "Int32"),
        ((*BEGUN, "after_outage"), {"refresh": "conditions", "order": "prepare"}, (*BEGUN, "after_outage"), "order and refresh", "exactly one of"),
        ((*BEGUN, "after_outage"), {"refresh": "conditions", "when": [{"node": "busy", "is": [1]}]}, (*BEGUN, "after_outage", "when"), "conditions with `refresh`", "none"),
        ((*BEGUN, "after_outage"), {}, (*BEGUN, "after_outage"), "none of them", "exactly one of `levels`, `query`, `order` and `refresh`"),
        ((*AFTER, "levels"), {}, AFTER, "levels and query", "exactly one of"),
        ((*BEGUN, "after_outage"), {"order": "abort"}, (*BEGUN, "after_outage", "order"), "which is not supported", "an order that is given"),
        ((*BEGUN, "after_outage", "levels"), {}, (*BEGUN, "after_outage", "levels", "run_begun"), "nothing", "what stands for this field"),
        ((*BEGUN, "after_outage", "levels", "run_begun"), "busy", (*BEGUN, "after_outage", "levels", "run_begun"), "of type Int32", "String"),
        ((*BEGUN, "after_outage", "levels", "serial"), "begun_run", (*BEGUN, "after_outage", "levels", "serial"), "the field `serial`", "a field of this event"),
        ((*AFTER, "when", 0, "node"), "run_begun", (*AFTER, "when", 0, "node"), "the node `run_begun`", "a declared node"),
        ((*QUERY, "node"), "busy", (*QUERY, "node"), "of type Int32", "Method"),
        ((*QUERY, "output"), 0, (*QUERY, "output"), "0", "from 1"),
        ((*QUERY, "accepted"), ..., (*QUERY, "accepted"), "nothing", "together"),
        ((*QUERY, "fields", "state"), ..., (*QUERY, "fields", "state"), "nothing", "what stands for this field"),
        ((*QUERY, "arguments"), [{"type": "String", "field": "run_id"}], (*QUERY, "arguments", 0, "field"), "the field `run_id`", "no field of a goal"),
        ((*QUERY, "arguments"), [{"type": "String", "node": "begun_run"}], (*QUERY, "arguments", 0, "node"), "what `begun_run` shows", "a `value`"),
        (("orders", "start", "arguments"), [{"type": "String", "node": "run_begun"}], ("orders", "start", "arguments", 0, "node"), "what `run_begun` shows", "a `field` of the goal"),
        (("orders", "start", "complete"), {"output": 0, "value": 1}, ("orders", "start", "complete", "output"), "0", "from 1"),
        (("orders", "start", "node"), "run_begun", ("orders", "start", "node"), "the node `run_begun`", "a declared node"),
        (("facets", "work", "age_s_max"), 3, ("facets", "work", "age_s_max"), "latched from an event", "no age"),
        (("facets", "work", "cases", 0, "when", 0), {"node": "busy", "there": True}, ("facets", "work", "cases", 0, "when", 0, "there"), "a node, `busy`", "can be missing"),
        (("facets", "work", "cases", 0, "when", 0), {"node": "state", "there": True, "is": [1]}, ("facets", "work", "cases", 0, "when", 0, "there"), "both", "either `is` or `there`"),
        (("heartbeat",), {"node": "state", "within_s": 2}, ("heartbeat", "node"), "the node `state`", "a declared node"),
        (("results", "columns", "value"), "state", ("results", "columns", "value"), "of type Int32", "Double[]"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_found_at_its_place(sound, path, new, at, found, expected):
    problems = profile_problems(read_profile(put(sound, path, new)))
    (problem,) = [one for one in problems if one.path == at]
    assert found in problem.found
    assert expected in problem.expected
    assert problem.remedy


def test_an_event_without_fields_is_refused(sound):
    content = put(sound, (*BEGUN, "fields"), {})
    problems = profile_problems(read_profile(content))
    assert (*BEGUN, "fields") in [one.path for one in problems]


def test_an_event_ends_latches_of_its_own_source_only(sound):
    content = put(sound, ("nodes", "quiet"), OTHER_OBJECT["quiet"])
    content = put(content, (*BEGUN, "source"), "quiet")
    (problem,) = profile_problems(read_profile(content))
    assert problem.path == (*BEGUN, "ends", "events", 0)
    assert "of another source" in problem.found


def test_what_the_next_event_replaces_needs_nothing_that_ends_it(sound):
    assert profile_problems(read_profile(put(sound, (*BEGUN, "ends"), "next event"))) == []


def test_a_field_of_an_event_may_be_missing_as_a_part_of_a_value_may(sound):
    facet = {"node": "state", "codes": {1: "finished"}, "missing": "idle"}
    assert profile_problems(read_profile(put(sound, ("facets", "work"), facet))) == []
