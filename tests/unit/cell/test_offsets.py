"""Offsets of a cell folder: the version in force, and the budget that it belongs to. Sources: "arithmetic" is done by hand."""

from decimal import Decimal

from supervisor.cell.canonical import cell_from_json, cell_to_json
from supervisor.cell.load import load_cell
from supervisor.cell.model import Coverage
from tests.unit.cell.test_mistakes import SOUND_OFFSETS


def the_coverage(folder) -> Coverage:
    programs = load_cell(folder).cell.programs
    covers = {c.number: c for p in programs if p.program == "cam-ring-scan" for c in p.covers}
    return covers["5"]


def test_the_highest_version_is_in_force_and_every_version_is_kept(small_cell):
    (small_cell / "offsets.yaml").write_text(SOUND_OFFSETS)

    assert [o.title for o in load_cell(small_cell).cell.offsets] == [
        "minor-axis v1",
        "minor-axis v2",
    ]
    offset = the_coverage(small_cell).offset
    assert offset is not None
    assert (offset.title, offset.bias) == ("minor-axis v2", Decimal("0.0024"))


def test_the_uncertainty_of_an_offset_enters_the_budget(small_cell):
    (small_cell / "offsets.yaml").write_text(
        SOUND_OFFSETS.replace("u: 0.0006", "u: 0.0020").replace("0.0024", "0.0080")
    )

    # arithmetic: U 0.009 with k 2 is u 0.0045; with 0.0020: sqrt(20.25 + 4) um = 4.924429 um, U 9.848858 um, rounded up
    assert the_coverage(small_cell).expanded_u == Decimal("0.00984885780180")
    # arithmetic, Welch and Satterthwaite: 24.25^2 / (16 / 29) = 1065.9, which counts as well known
    assert the_coverage(small_cell).dof is None


def test_an_offset_from_few_parts_leaves_few_degrees_of_freedom(small_cell):
    (small_cell / "offsets.yaml").write_text(
        SOUND_OFFSETS.replace("u: 0.0006", "u: 0.0030")
        .replace("0.0024", "0.0080")
        .replace("n: 30", "n: 5")
    )

    # arithmetic: (20.25 + 9)^2 / (81 / 4) = 42.25, rounded down
    assert the_coverage(small_cell).dof == 42


def test_a_cell_with_offsets_survives_the_journey_through_text(small_cell):
    (small_cell / "offsets.yaml").write_text(SOUND_OFFSETS)
    cell = load_cell(small_cell).cell

    assert cell_from_json(cell_to_json(cell)) == cell
