"""Models in a browsed address space: found by their own nodes, whatever a site calls what stands around them."""

from ruamel.yaml import YAML

from supervisor.cell.shipped import shipped_profile
from supervisor.stations.browse import Survey
from supervisor.stations.first_profile import first_profile
from supervisor.stations.recognise import readers_of, recognised
from supervisor.stations.tree import OPC_UA, Branch

PLANT = "urn:our:plant"
ROBOTICS = "http://opcfoundation.org/UA/Robotics/"
DI = "http://opcfoundation.org/UA/DI/"
JOBS = shipped_profile("job-control")
MACHINERY = "http://opcfoundation.org/UA/Machinery/"
OBJECT, METHOD = "object", "method"


def grown(paths):
    """A tree with these nodes, given as {((uri, name), ...): kind}; what is on the way to them is an object."""

    def branch(path):
        below = sorted({one[: len(path) + 1] for one in paths if one[: len(path)] == path and len(one) > len(path)})  # fmt: skip
        return Branch(
            path=path, kind=paths.get(path, OBJECT), type="Boolean", array=False, writable=False, shown=False,
            quality="good", children=tuple(branch(one) for one in below),
        )  # fmt: skip

    return branch(())


def spaces(paths):
    return (OPC_UA, *sorted({uri for path in paths for uri, _ in path} - {OPC_UA}))


def of(profile, root, site=PLANT, renamed=None, without=()):
    """Everything that a shipped profile addresses, below a root, with names of a site's own in its own namespace."""
    uris = {prefix: uri if uri.startswith("http") else site for prefix, uri in profile.namespaces.items()}  # fmt: skip
    found = {}
    for name, node in profile.nodes.items():
        if name in without:
            continue
        steps = [step.partition(":")[::2] if ":" in step else ("", step) for step in node.path.split("/")]  # fmt: skip
        path = tuple((uris[prefix] if prefix else OPC_UA, (renamed or {}).get(step, step)) for prefix, step in steps)  # fmt: skip
        found[(*root, *path)] = METHOD if node.type == "Method" else "variable"
    return found


def surveyed(paths):
    tree, uris = grown(paths), spaces(paths)
    return Survey(
        url="opc.tcp://gauge:4840", security="", boot="", namespaces=uris, models=(), fits=(),
        recognised=recognised(tree, uris), tree=tree, cut="",
    )  # fmt: skip


def written(paths):
    text = first_profile(surveyed(paths), "gauge-7")
    return text, YAML(typ="safe").load(text)


HALL = ((PLANT, "Hall"), (PLANT, "Gauge 7"))


def test_a_model_under_another_root_and_namespace_gives_a_profile_that_says_only_where():
    _, content = written(of(JOBS, HALL))
    assert content == {
        "profile": "gauge-7",
        "extends": "job-control",
        "title": "gauge-7",
        "namespaces": {
            "jc": "http://opcfoundation.org/UA/ISA95-JOBCONTROL_V2/",
            "mj": "http://opcfoundation.org/UA/Machinery/Jobs/",
            "m": MACHINERY,
            "site": PLANT,
        },
        "root": "site:Hall/site:Gauge 7",
    }


def test_what_is_the_sites_own_and_not_there_is_asked_for_and_a_missing_option_is_told():
    text, content = written(of(JOBS, HALL, without=("door_open", "clear")))
    assert "nodes" not in content
    assert '  # door_open: {path: "?", type: Boolean}  # not in the model and not found' in text
    assert "# It has no clear: a job that has ended stays in the station's list" in text


def test_a_model_without_something_that_its_profile_needs_is_not_recognised():
    paths = of(JOBS, HALL, without=("response",))
    assert recognised(grown(paths), spaces(paths)) == ()


def test_the_names_of_a_site_within_a_model_may_be_any_and_are_stated():
    robot = ((DI, "DeviceSet"), (PLANT, "Arm"))
    names = {"Safety": "Zone A", "Controller": "KC1"}
    text, content = written(of(shipped_profile("robotics"), robot, renamed=names))
    assert content["extends"] == "robotics"
    assert content["root"] == "di:DeviceSet/site:Arm"
    assert content["nodes"]["operational_mode"]["path"] == "rob:SafetyStates/site:Zone A/di:ParameterSet/rob:OperationalMode"  # fmt: skip
    assert content["nodes"]["system_state"]["optional"]
    assert set(content["nodes"]) == {"operational_mode", "emergency_stop", "protective_stop", "system_state"}  # fmt: skip
    assert text.count("# found here") == 4


def test_of_two_machines_each_is_found_and_of_two_profiles_the_one_that_says_more_comes_first():
    result = shipped_profile("machinery-result")
    paths = of(JOBS, HALL) | of(result, ((PLANT, "Other"),))
    found = [(one.profile, one.root[-1][1]) for one in recognised(grown(paths), spaces(paths))]
    assert found == [("machinery-result", "Other"), ("job-control", "Gauge 7"), ("job-control", "Other")]  # fmt: skip


def test_a_method_is_no_variable():
    paths = dict.fromkeys(of(JOBS, HALL), "variable")
    assert recognised(grown(paths), spaces(paths)) == ()


def test_readers_of_tags_are_found_one_for_each_place():
    reader, devices = shipped_profile("autoid"), ((DI, "DeviceSet"),)
    paths = {}
    for place in ("slot-1", "slot-2"):
        paths |= of(reader, devices, renamed={"{place}": place})
    (found,) = recognised(grown(paths), spaces(paths))
    assert (found.profile, found.places) == ("autoid", ("slot-1", "slot-2"))
    text, content = written(paths)
    assert "# Readers were found for the places slot-1, slot-2." in text
    assert "nodes" not in content


def test_a_place_may_stand_anywhere_in_the_path_of_what_is_read_there():
    reader = shipped_profile("rack-reader")
    site = reader.namespaces["r"]
    paths = {}
    for place in ("slot-1", "slot-2"):
        paths |= of(reader, ((site, "Rack"),), site=site, renamed={"{place}": place})
    assert readers_of(reader, grown(paths)) == ("slot-1", "slot-2")
