"""``pointsman check`` refuses exactly those cells that can come to a standstill for good: what it says agrees with trying out every state.

Rules of this file: each case spoils, or changes, the small cell of tests/unit/cell on disk; what is explored is the cell that these very files declare.
"""

import random
import shutil
from itertools import pairwise
from pathlib import Path

import pytest

from supervisor.cell.load import examine, loaded
from supervisor.cell.problem import errors_among
from tests.bench.routing.declared import DeclaredCell

CELL, RING, PLATE, PROGRAMS = (
    "cell.yaml",
    "part-types/cam-ring.yaml",
    "part-types/port-plate.yaml",
    "programs.yaml",
)
ONE_JAW = ((CELL, "jaws: 2", "jaws: 1"), (CELL, "  swap_s: 7\n", ""))
FACE, WIDTH = "upper: 0.020}}", "lower_deviation: -0.02, upper_deviation: -0.01}}"
MINOR_AXIS = "plus_minus: 0.04}, answers_to"

MASTER = """\
part_type: master
title: Calibrated plate
gtin: "09521234000099"
revision: A
plan:
  - {number: 1, name: bore, kind: diameter, nominal: 25, limits: {lower: 24.9, upper: 25.1}}
reference:
  serial: MR-7
  certificate: K-44
  due: 2099-01-31
  values: [{number: 1, value: 25.0104, u: 0.0004}]
  checks: [{station: touch-1, every_h: 24}]
"""
MASTER_PROGRAM = """\
programs:
  - id: master-touch
    station: touch-1
    part_type: master
    name: MASTER
    number: 99
    revision: "1"
    part_free_s: 60
    result_s: 60
    covers: [{number: 1, expanded_u: 0.001}]

"""
WEAK_FACE = (
    PROGRAMS,
    "{number: 5, expanded_u: 0.009}",
    "{number: 5, expanded_u: 0.009}\n      - {number: 2, expanded_u: 0.9}",
)
"""scan-1 measures the face, too, not well enough to decide it; it lies under what touch-1 decides."""
FACE_AFTER_DIAMETER = (RING, FACE, FACE[:-1] + ", after: [1]}")
DIAMETER_AFTER_AXIS = (RING, "limits: 62 g6", "limits: 62 g6, after: [5]")
REFERENCE = (("part-types/master.yaml", "", MASTER), (PROGRAMS, "programs:\n", MASTER_PROGRAM))
ONE_RACK = ((CELL, "  - {id: rack-02, kind: rack, at_mm: 200, reader: rack, antenna: 2}\n", ""),)


def no_outfeed(sorting):
    lines = {
        "conforming": "  - {id: out-ok-1, kind: outfeed, sorting: conforming, at_mm: 2600, reader: rack, antenna: 3}\n",
        "nonconforming": "  - {id: out-nok-1, kind: outfeed, sorting: nonconforming, at_mm: 2700, reader: rack, antenna: 4}\n",
        "hold": "  - {id: out-hold-1, kind: outfeed, sorting: hold, at_mm: 2800, reader: rack, antenna: 5}\n",
    }
    return ((CELL, lines[sorting], ""),)


SOUND = {
    "as it is": (),
    "one rack place": ONE_RACK,
    "a reference part and room beside it": REFERENCE,
    "an order between two stations": ((RING, FACE, FACE[:-1] + ", after: [5]}"),),
    "the other order": ((RING, MINOR_AXIS, "plus_minus: 0.04}, after: [2], answers_to"),),
    "a value that decides nothing and comes later": (WEAK_FACE, FACE_AFTER_DIAMETER),
    "two orders that hold without such a value": (FACE_AFTER_DIAMETER, DIAMETER_AFTER_AXIS),
    "an order within a program": ((RING, FACE, FACE[:-1] + ", after: [4]}"),),
}
STUCK = {
    "no outfeed for conforming parts": no_outfeed("conforming"),
    "no outfeed for nonconforming parts": no_outfeed("nonconforming"),
    "no outfeed for parts on hold": no_outfeed("hold"),
    "no program for a part type": ((PROGRAMS, "part_type: port-plate", "part_type: cam-ring"),),
    "a characteristic that nothing decides": ((PROGRAMS, "{number: 6, expanded_u: 0.012}", "{number: 6, expanded_u: 0.9}"),),
    "an order that programs cannot keep": (
        (RING, FACE, FACE[:-1] + ", after: [5]}"),
        (RING, MINOR_AXIS, "plus_minus: 0.04}, after: [4], answers_to"),
    ),
    "an order that a value without decision cannot keep": (WEAK_FACE, FACE_AFTER_DIAMETER, DIAMETER_AFTER_AXIS),
    "a reference part in the only rack place": (*REFERENCE, *ONE_RACK),
}  # fmt: skip


INFEED = ((CELL, "{id: rack-02, kind: rack", "{id: in-01, kind: infeed"),)
NO_RACK = (*INFEED, (CELL, "{id: rack-01, kind: rack", "{id: in-02, kind: infeed"))
NO_SECOND_STATION = (
    (
        PROGRAMS,
        "station: touch-1\n    part_type: cam-ring",
        "station: scan-1\n    part_type: cam-ring",
    ),
)


@pytest.fixture
def spoilt(tmp_path, repository):
    """The small cell on disk with some changes."""

    def make(*changes) -> Path:
        folder = Path(shutil.copytree(repository / "tests/unit/cell/small-cell", tmp_path / "cell"))
        for name, old, new in changes:
            file = folder / name
            text = file.read_text("utf-8") if file.exists() else ""
            assert old in text, (name, old)
            file.write_text(text.replace(old, new, 1), "utf-8")
        return folder

    return make


def judged(folder):
    """What check says, and what every state shows."""
    declaration, problems = examine(folder)
    return errors_among(problems), DeclaredCell(loaded(declaration, ()).cell).explored()


@pytest.mark.hazard(30)
@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("case", sorted(SOUND))
def test_a_cell_that_check_accepts_comes_to_its_end_from_every_state(spoilt, case, jaws):
    errors, reached = judged(spoilt(*SOUND[case], *(ONE_JAW if jaws == 1 else ())))
    assert errors == ()
    assert reached.states > 1
    assert reached.dead == reached.doomed == ()


@pytest.mark.hazard(30)
@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("case", sorted(STUCK))
def test_a_cell_that_can_come_to_a_standstill_is_refused_with_the_reason(spoilt, case, jaws):
    errors, reached = judged(spoilt(*STUCK[case], *(ONE_JAW if jaws == 1 else ())))
    assert errors
    assert all(error.expected and error.remedy for error in errors)
    assert reached.doomed


FED = {
    "two jaws and no rack place": (NO_RACK, "sound"),
    "one jaw and a rack place": ((*INFEED, *ONE_JAW), "sound"),
    "one jaw and no rack place": ((*NO_RACK, *ONE_JAW), "stuck"),
    "one jaw, no rack place, and one station for each part": ((*NO_RACK, *ONE_JAW, *NO_SECOND_STATION), "sound"),
    "one jaw and a reference part in the only rack place": ((*INFEED, *ONE_JAW, *REFERENCE), "stuck"),
}  # fmt: skip


@pytest.mark.hazard(30)
@pytest.mark.parametrize("case", sorted(FED))
def test_a_cell_with_an_infeed_is_refused_if_pallets_could_stand_in_each_others_way(spoilt, case):
    changes, comes_to = FED[case]
    errors, reached = judged(spoilt(*changes))
    assert bool(errors) == (comes_to == "stuck"), errors
    assert bool(reached.doomed) == (comes_to == "stuck")
    if errors:
        assert "one jaw" in errors[0].expected
        assert "`kind: rack`" in errors[0].remedy


@pytest.mark.parametrize("seed", range(12))
def test_of_drawn_orders_check_refuses_just_those_that_end_in_a_standstill(spoilt, seed):
    """Between mandatory characteristics of the cam ring, without a ring among them: 5, 6 and 8 are measured by one program, the others by another."""
    rng = random.Random(seed)
    numbers = rng.sample(["1", "2", "3", "4", "5", "6", "7", "8"], 4)
    changes = [
        (RING, f"{{number: {late},", f"{{number: {late}, after: [{soon}],")
        for soon, late in pairwise(numbers)
    ]
    errors, reached = judged(spoilt(*changes))
    assert bool(errors) == bool(reached.doomed)
    alternations = sum((soon in "568") != (late in "568") for soon, late in pairwise(numbers))
    assert bool(errors) == (alternations > 1), "two programs can be in one order only"
