"""A gauge study carried out by real processes over OPC UA, ordered with the command line as a person does."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = [pytest.mark.system, pytest.mark.timeout(300)]

CELL = Path(__file__).parents[2] / "deploy/cells/vane-pumps"


def test_a_running_cell_carries_a_study_out_and_inspects_its_parts_afterwards(a_cell):
    cell = a_cell(pallets=6)
    cell.set_mode("pause")
    pallets = cell.wait(
        "two cam rings identified",
        lambda answer: len(rings(answer)) == 2,
        at="/pallets",
    )
    asked = [sys.executable, "-m", "supervisor", "study", "gauge", str(CELL)]
    asked += ["--at", cell.live.watch.address, "--by", "M. Weaver", "--program", "cam-ring-scan"]
    asked += ["--loadings", "2", "--repeats", "1", "--json"]
    for pallet in rings(pallets):
        asked += ["--pallet", pallet]
    with subprocess.Popen(
        asked, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as study:
        cell.wait("the study begun", lambda answer: len(answer) == 1, at="/gauge-studies")
        cell.set_mode("run")
        said, noted = study.communicate(timeout=200)
    told = json.loads(said)
    assert (told["end"], told["done"], told["runs"]) == ("complete", 4, 4), noted
    assert study.returncode in (0, 1), "1: a characteristic is not capable"
    assert f"/gauge/{told['study']}" in noted

    cell.finish()
    report = cell.report()
    assert report.all_well(), report
    assert len(report.parts) == 6


def rings(pallets):
    return sorted(
        each["pallet"]
        for each in pallets
        if each["part_type"] == "cam-ring" and each["stage"] == "planned"
    )
