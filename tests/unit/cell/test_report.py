"""What `pointsman check` says: problems first, then what was understood; text and JSON say the same."""

import json
import logging

import pytest

from supervisor.app import note_security
from supervisor.cell.load import load_cell
from supervisor.cell.report import check_cell


def test_a_sound_cell_is_reported_with_who_may_decide_what(small_cell):
    report = check_cell(small_cell)

    assert report.ok
    text = report.as_text()
    assert "cell small: A small cell" in text
    assert "station touch-1: Coordinate measuring machine, tactile" in text
    assert "part type cam-ring: Cam ring, revision B, 9 characteristics" in text
    assert "1  Outside diameter, diameter  61.971 .. 61.990 mm  U 0.00285  touch-1\n" in text
    assert text.endswith("0 errors, 0 warnings\n")


def test_the_json_form_says_the_same(small_cell):
    answer = json.loads(json.dumps(check_cell(small_cell).as_json()))

    assert answer["ok"] is True
    assert answer["problems"] == []
    summary = answer["summary"]
    assert [s["station"] for s in summary["stations"]] == ["scan-1", "touch-1"]
    ring = summary["part_types"][0]["characteristics"]
    assert ring[0]["lower"] == "61.971"
    assert ring[1]["lower"] is None
    assert ring[0]["decided_by"] == [
        {"station": "touch-1", "program": "cam-ring-touch", "expanded_u": "0.0016"}
    ]


def test_those_who_may_decide_are_listed_best_first_and_without_those_who_may_not(small_cell):
    path = small_cell / "programs.yaml"
    text = path.read_text()
    path.write_text(
        text.replace(
            "{number: 7, expanded_u: 0.0018, k: 2.13}",
            "{number: 7, expanded_u: 0.0018, k: 2.13}\n"
            "      - {number: 5, expanded_u: 0.003, k: 3}\n"
            "      - {number: 6, expanded_u: 0.040}",
        )
    )

    ring = check_cell(small_cell).as_json()["summary"]["part_types"][0]["characteristics"]

    assert [(d["station"], d["expanded_u"]) for d in ring[4]["decided_by"]] == [
        ("touch-1", "0.002"),
        ("scan-1", "0.009"),
    ]
    assert [d["station"] for d in ring[5]["decided_by"]] == ["scan-1"]


def test_a_service_level_that_is_ignored_is_said_by_check_and_by_the_log(small_cell, caplog):
    path = small_cell / "cell.yaml"
    text = path.read_text()
    assert "service level" not in check_cell(small_cell).as_text()
    (profile,) = {line for line in text.splitlines() if "profile: scan-methods" in line}
    path.write_text(text.replace(profile, f"{profile}\n    service_level: ignored"))
    report = check_cell(small_cell)
    said = "service level of scan-1: ignored, by choice of the cell file"
    assert f"  {said}" in report.as_text().splitlines()
    assert report.as_json()["summary"]["service_level"]["scan-1"] == "ignored"
    note_security(load_cell(small_cell))
    assert "scan-1: service level ignored, by choice of the cell file" in caplog.messages


def test_a_cell_with_errors_has_problems_and_no_summary(small_cell):
    path = small_cell / "cell.yaml"
    path.write_text(path.read_text().replace("jaws: 2", "jaws: 3"))

    report = check_cell(small_cell)

    assert not report.ok
    assert report.summary is None
    lines = report.as_text().splitlines()
    assert lines[0].startswith("cell.yaml:12:3 handler.jaws: expected one of 1, 2, found 3; ")
    assert lines[-1].endswith("1 error, 0 warnings")
    problem = report.as_json()["problems"][0]
    assert (problem["file"], problem["line"], problem["field"]) == ("cell.yaml", 12, "handler.jaws")
    assert problem["text"] == lines[0]


def test_a_warning_does_not_spoil_the_cell(small_cell):
    path = small_cell / "cell.yaml"
    path.write_text(path.read_text().replace("swap_s: 7", "swap_s: 9"))

    report = check_cell(small_cell)

    assert report.ok
    assert report.as_text().startswith("cell.yaml:18:3 handler.swap_s: warning: expected at most")
    assert "part type cam-ring" in report.as_text()


def test_a_folder_that_is_not_there_is_answered_and_not_raised(tmp_path):
    report = check_cell(tmp_path / "nowhere")

    assert not report.ok
    assert "name the folder of a cell" in report.as_text()


def test_a_connection_that_is_weak_by_choice_is_said_by_check_and_at_every_start(
    small_cell, caplog
):
    path = small_cell / "cell.yaml"
    text = path.read_text()
    for station, security in (("scan-methods", "none"), ("touch-datablock", "{policy: Basic256}")):
        text = text.replace(
            f"profile: {station}\n", f"profile: {station}\n    security: {security}\n"
        )
    path.write_text(text)
    report = check_cell(small_cell)
    assert report.ok
    lines = report.as_text().splitlines()
    assert (
        "  connections to scan-1: not signed and not encrypted, by choice of the cell file" in lines
    )
    assert (
        "  connections to touch-1: encrypted with Basic256, which is deprecated, by choice of the cell file"
        in lines
    )
    assert "  connections to handler, rack: encrypted with a current policy" in lines

    with caplog.at_level(logging.INFO):
        note_security(load_cell(small_cell))
    weak = [record.message for record in caplog.records if record.levelno == logging.WARNING]
    assert weak == [
        "scan-1: connection not signed and not encrypted, by choice of the cell file",
        "touch-1: connection encrypted with Basic256, which is deprecated, by choice of the cell file",
    ]


@pytest.mark.parametrize(
    ("routing", "said"),
    [
        ("", "throughput first, looks ahead 1000 steps"),
        ("routing: {look_ahead_steps: 0}", "by the simple rule alone"),
        (
            "routing: {objective: due_times, look_ahead_steps: 1, urgencies: [{part_type: port-plate, weight: 1, due_s: 90}, {part_type: cam-ring, weight: 3, due_s: 2400}]}",
            "due times (cam-ring within 40 min, weight 3; port-plate within 90 s, weight 1), looks ahead 1 step",
        ),
        (
            "routing: {objective: priority_classes, urgencies: [{part_type: cam-ring, weight: 3}]}",
            "priority classes (cam-ring weight 3), looks ahead 1000 steps",
        ),
    ],
)
def test_what_routing_aims_at_is_told(small_cell, routing, said):
    path = small_cell / "cell.yaml"
    path.write_text(path.read_text().replace("\nhandler:\n", f"\n{routing}\n\nhandler:\n"))
    report = check_cell(small_cell)
    assert f"  routing: {said}" in report.as_text().splitlines()
    told = json.loads(json.dumps(report.as_json()))["summary"]["routing"]
    assert told["says"] == said
    assert [(each["due_s"], each["weight"]) for each in told["urgencies"]] == {
        "t": [],
        "b": [],
        "d": [("2400", 3), ("90", 1)],
        "p": [(None, 3)],
    }[said[0]]
