"""A folder becomes a cell: whole, exact, sorted, with a digest; or a list of everything that is wrong."""

import hashlib
import json
import re
import shutil
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from supervisor.cell.canonical import cell_from_json, cell_to_json, digest_of
from supervisor.cell.iso286 import size_limits
from supervisor.cell.load import examine, load_cell
from supervisor.cell.problem import DeclarationError, one_of
from supervisor.cell.profile import shipped_profiles
from supervisor.cell.report import check_cell
from supervisor.cell.value import replace


@pytest.fixture(scope="module")
def example(repository):
    return load_cell(repository / "deploy" / "cells" / "vane-pumps")


def edit(folder, file, old, new):
    path = folder / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def where(problems):
    return [(p.grade, p.file, p.line, p.field) for p in problems]


# The example cell.


def test_the_example_cell_has_no_problem(example):
    assert example.warnings == ()
    assert [s.station for s in example.cell.stations] == ["ct-1", "scan-1", "touch-1"]
    assert sorted(example.profiles) == [
        "autoid",
        "ct-pulse",
        "gms",
        "handler-permits",
        "machine-vision",
    ]


def test_the_example_cell_has_as_many_characteristics_as_a_drawing(example):
    numbers = {part.part_type: len(part.plan) for part in example.cell.part_types}

    assert numbers == {"cam-ring": 22, "port-plate": 24, "pump-body": 30}


def test_every_tolerance_code_of_the_example_cell_became_the_limits_of_the_table(
    example, repository
):
    written = 0
    for part in example.cell.part_types:
        path = repository / "deploy/cells/vane-pumps/part-types" / f"{part.part_type}.yaml"
        codes = dict(
            re.findall(r"\{number: (\d+),.*limits: (\d[\d.]* [A-Za-z]+\d+)\}", path.read_text())
        )
        written += len(codes)
        for characteristic in part.plan:
            if characteristic.number in codes:
                limits = size_limits(codes[characteristic.number])
                assert (characteristic.lower, characteristic.upper) == (limits.lower, limits.upper)

    assert written >= 15


def test_the_example_cell_leaves_the_router_a_choice(example):
    cell = example.cell
    stations_of: dict[tuple[str, str], set[str]] = {}
    for program in cell.programs:
        for cover in program.covers:
            stations_of.setdefault((program.part_type, cover.number), set()).add(program.station)

    shared = [key for key, stations in stations_of.items() if len(stations) > 1]

    assert {part_type for part_type, _ in shared} == {"cam-ring", "port-plate", "pump-body"}


def test_a_cam_ring_can_do_without_the_optical_station(example):
    programs = [p for p in example.cell.programs if p.station == "touch-1"]
    covered = {c.number for p in programs if p.part_type == "cam-ring" for c in p.covers}
    plan = next(p.plan for p in example.cell.part_types if p.part_type == "cam-ring")

    assert {c.number for c in plan if c.need == "mandatory"} <= covered


# What a loaded cell is.


def test_limits_and_uncertainties_are_exact(small_cell):
    cell = load_cell(small_cell).cell
    plan = {c.number: c for c in cell.part_types[0].plan}

    assert (str(plan["1"].lower), str(plan["1"].upper)) == ("61.971", "61.990")
    assert (str(plan["4"].lower), str(plan["4"].upper)) == ("29.98", "29.99")
    assert (plan["2"].lower, str(plan["2"].upper), plan["2"].nominal) == (None, "0.020", 0)
    assert (plan["2"].natural_limit, plan["7"].natural_limit) == ("zero", "none")


def test_the_required_uncertainty_is_fifteen_percent_of_the_tolerance_unless_stated(small_cell):
    cell = load_cell(small_cell).cell
    required = {c.number: c.required_u for c in cell.part_types[0].plan}

    assert required["1"] == Decimal("0.00285")  # 19 um between the limits
    assert required["2"] == Decimal("0.003")  # a natural limit: the upper limit is the tolerance
    assert required["7"] == Decimal("0.015")  # stated


def test_an_uncertainty_with_another_factor_is_compared_at_k_2(small_cell):
    edit(small_cell, "programs.yaml", "expanded_u: 0.0018, k: 2.13", "expanded_u: 0.0225, k: 3")

    assert load_cell(small_cell).warnings == ()  # 0.0225 with k = 3 is 0.015 with k = 2

    edit(small_cell, "programs.yaml", "expanded_u: 0.0225, k: 3", "expanded_u: 0.0226, k: 3")
    with pytest.raises(DeclarationError):
        load_cell(small_cell)


def test_everything_is_sorted_whatever_the_order_of_the_files(small_cell):
    before = load_cell(small_cell).cell
    text = (small_cell / "cell.yaml").read_text()
    lines = text.splitlines(keepends=True)
    start = lines.index("places:\n") + 1
    places = lines[start:]
    (small_cell / "cell.yaml").write_text("".join([*lines[:start], *reversed(places)]))
    (small_cell / "part-types/cam-ring.yaml").rename(small_cell / "part-types/z.yaml")

    after = load_cell(small_cell).cell

    assert after == before
    assert [p.place for p in after.places] == sorted(p.place for p in after.places)


def test_numbers_that_are_offered_stand_in_their_order():
    assert one_of(["10", "2", "1"]) == "one of 1, 2, 10"


def test_the_digest_changes_with_the_content_and_not_with_the_writing(small_cell):
    before = load_cell(small_cell).cell.digest
    edit(small_cell, "cell.yaml", "title: A small cell", "# a comment\ntitle:   'A small cell'")
    rewritten = load_cell(small_cell).cell.digest
    edit(small_cell, "part-types/cam-ring.yaml", "62 g6", "62 g5")
    edit(
        small_cell,
        "programs.yaml",
        "{number: 1, expanded_u: 0.0016}",
        "{number: 1, expanded_u: 0.0011}",
    )
    changed = load_cell(small_cell).cell.digest

    assert rewritten == before
    assert changed != before
    assert len(before) == 64


def test_a_cell_survives_the_journey_through_text(example):
    text = cell_to_json(example.cell)

    assert cell_from_json(text) == example.cell
    assert cell_to_json(cell_from_json(text)) == text
    assert digest_of(cell_from_json(text)) == example.cell.digest


def test_a_text_from_before_a_key_existed_is_read_with_its_default_and_keeps_its_digest(example):
    plain = json.loads(cell_to_json(example.cell))
    for station in plain["stations"]:
        del station["serial_number"], station["calibration"], station["calibration_due"]
    plain["digest"] = ""
    older = json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    plain["digest"] = hashlib.sha256(older.encode()).hexdigest()

    cell = cell_from_json(json.dumps(plain))

    assert cell.digest == plain["digest"]
    assert {station.calibration for station in cell.stations} == {""}


def test_a_changed_text_of_a_cell_is_refused(example):
    text = cell_to_json(replace(example.cell, title="Another cell"))

    with pytest.raises(ValueError, match="was changed"):
        cell_from_json(text)


# Files.


def test_mistakes_in_several_files_are_found_in_one_go(small_cell):
    edit(small_cell, "cell.yaml", "jaws: 2", "jaws: 3")
    edit(small_cell, "cell.yaml", "at_mm: 2800", "at_mm: 99999")
    edit(small_cell, "part-types/cam-ring.yaml", "kind: flatness", "kind: flat")
    edit(small_cell, "part-types/cam-ring.yaml", "62 g6", "62 g66")
    edit(small_cell, "programs.yaml", "station: scan-1", "station: scan-9")
    edit(small_cell, "part-types/port-plate.yaml", "22 H7", "22 H77")

    with pytest.raises(DeclarationError) as refusal:
        load_cell(small_cell)

    assert [(p.file, p.field) for p in refusal.value.problems] == [
        ("cell.yaml", "handler.jaws"),
        ("part-types/cam-ring.yaml", "plan.0.limits"),
        ("part-types/cam-ring.yaml", "plan.1.kind"),
        ("part-types/port-plate.yaml", "plan.0.limits"),
        ("programs.yaml", "programs.0.station"),
    ]
    assert str(refusal.value).count("\n") == 4


def test_a_file_with_a_syntax_error_brings_no_messages_about_what_it_would_declare(small_cell):
    edit(small_cell, "cell.yaml", "handler:", "handler: [")

    _, problems = examine(small_cell)

    assert [p.file for p in problems] == ["cell.yaml"]


@pytest.mark.parametrize(
    ("missing", "expected"),
    [
        ("cell.yaml", [("error", "cell.yaml", 1, "")]),
        ("programs.yaml", [("error", "programs.yaml", 1, "")]),
        ("part-types", [("error", "part-types", 1, "")]),
    ],
)
def test_a_missing_file_is_one_problem(small_cell, missing, expected):
    path = small_cell / missing
    shutil.rmtree(path) if path.is_dir() else path.unlink()

    _, problems = examine(small_cell)

    assert where(problems) == expected


def test_a_folder_that_is_not_there_is_one_problem(tmp_path):
    _, problems = examine(tmp_path / "nowhere")

    assert where(problems) == [("error", "nowhere", 1, "")]
    assert problems[0].found == "nothing"


@pytest.mark.parametrize("name", ["part-types/rotor.yml", "program.yaml", "types/rotor.yaml"])
def test_a_yaml_file_that_nobody_reads_is_a_warning(small_cell, name):
    (small_cell / name).parent.mkdir(exist_ok=True)
    (small_cell / name).write_text("part_type: rotor\n")

    _, problems = examine(small_cell)

    assert where(problems) == [("warning", name, 1, "")]


def test_a_folder_that_is_no_cell_is_not_searched_for_strangers(tmp_path):
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "other.yaml").write_text("a: 1\n")

    _, problems = examine(tmp_path)

    assert [problem.file for problem in problems] == ["cell.yaml", "part-types", "programs.yaml"]


def test_a_byte_that_is_no_utf_8_has_a_line(small_cell):
    path = small_cell / "part-types" / "cam-ring.yaml"
    path.write_bytes(path.read_bytes().replace(b"Cam ring", "Kurvenring für".encode("latin-1")))

    _, problems = examine(small_cell)

    assert where(problems) == [("error", "part-types/cam-ring.yaml", 2, "")]


WORDS = [
    "",
    "null",
    "[]",
    "{a: 1}",
    "true",
    "-1",
    "0",
    "1e9",
    "9" * 30,
    ".inf",
    "25 H7",
    '""',
    "[",
    "x: y",
]


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_no_wrong_value_anywhere_makes_a_traceback(small_cell, data):
    file = data.draw(st.sampled_from(["cell.yaml", "programs.yaml", "part-types/cam-ring.yaml"]))
    sound = (small_cell / file).read_text()
    values = list(re.finditer(r"(?<=: )[^,{}\n]+", sound))
    value = data.draw(st.sampled_from(values))
    word = data.draw(st.sampled_from(WORDS))
    (small_cell / file).write_text(sound[: value.start()] + word + sound[value.end() :])

    report = check_cell(small_cell)
    (small_cell / file).write_text(sound)

    assert report.as_text()
    assert all(p.line >= 1 and p.expected and p.found and p.remedy for p in report.problems)


# Interface profiles.


def own_profile(folder, name):
    (folder / "profiles").mkdir()
    return shutil.copy(shipped_profiles() / f"{name}.yaml", folder / "profiles" / f"{name}.yaml")


def test_a_profile_of_the_cell_goes_before_the_one_that_comes_with_pointsman(small_cell):
    own_profile(small_cell, "scan-methods")
    edit(small_cell, "profiles/scan-methods.yaml", "title:", "title: Our own,")

    assert load_cell(small_cell).profiles["scan-methods"].title.startswith("Our own,")


def test_a_mistake_in_a_profile_of_the_cell_has_its_line(small_cell):
    own_profile(small_cell, "scan-methods")
    edit(small_cell, "profiles/scan-methods.yaml", "\nfacets:", "\nfacet:")

    _, problems = examine(small_cell)

    assert {p.file for p in problems} == {"profiles/scan-methods.yaml"}
    assert any("did you mean facets?" in p.remedy for p in problems)


def test_what_does_not_fit_together_in_a_profile_has_its_line(small_cell):
    own_profile(small_cell, "scan-methods")
    text = (small_cell / "profiles/scan-methods.yaml").read_text()
    line = next(n for n, t in enumerate(text.splitlines(), 1) if t.strip().startswith("node: "))
    node = text.splitlines()[line - 1].strip().removeprefix("node: ")
    edit(small_cell, "profiles/scan-methods.yaml", f"node: {node}", "node: nowhere")

    _, problems = examine(small_cell)

    assert (problems[0].file, problems[0].line) == ("profiles/scan-methods.yaml", line)


def test_a_profile_is_named_like_its_file(small_cell):
    path = own_profile(small_cell, "scan-methods")
    shutil.move(path, small_cell / "profiles" / "scan-ours.yaml")
    edit(small_cell, "cell.yaml", "profile: scan-methods", "profile: scan-ours")

    _, problems = examine(small_cell)

    assert [(p.file, p.field) for p in problems] == [("profiles/scan-ours.yaml", "profile")]


def test_every_shipped_profile_can_be_used(small_cell):
    for path in sorted(shipped_profiles().glob("*.yaml")):
        (small_cell / "profiles").mkdir(exist_ok=True)
        shutil.copy(path, small_cell / "profiles" / path.name)

    loaded = load_cell(small_cell)

    assert set(loaded.profiles) == {path.stem for path in shipped_profiles().glob("*.yaml")}


def test_a_handler_has_no_more_jaws_than_its_profile_reports(small_cell):
    own_profile(small_cell, "handler-orders")
    path = small_cell / "profiles" / "handler-orders.yaml"
    jaw = "    - node: jaw_2\n      truth: {true: occupied, false: empty}\n"
    text = path.read_text()
    assert jaw in text
    path.write_text(text.replace(jaw, ""))

    _, problems = examine(small_cell)

    assert where(problems) == [("error", "cell.yaml", 12, "handler.jaws")]


def test_a_station_that_reports_whole_numbers_needs_numbers_it_can_report(small_cell):
    edit(small_cell, "part-types/port-plate.yaml", "{number: 2,", "{number: B2,")
    edit(
        small_cell,
        "programs.yaml",
        "{number: 2, expanded_u: 0.0022}",
        "{number: B2, expanded_u: 0.0022}",
    )

    _, problems = examine(small_cell)

    assert [(p.file, p.field) for p in problems] == [
        ("programs.yaml", "programs.2.covers.1.number")
    ]
    assert "a number that touch-1 can report, such as 7" in problems[0].expected


def test_a_second_number_at_a_plc_station_may_be_filled_up_with_zeros(small_cell):
    own_profile(small_cell, "touch-datablock")
    edit(
        small_cell,
        "profiles/touch-datablock.yaml",
        "\n  form: arrays",
        "\n  form: arrays\n  digits: 3\n  prefix: B",
    )

    _, problems = examine(small_cell)

    assert len(problems) == 7
    assert all("such as B007" in p.expected for p in problems)
