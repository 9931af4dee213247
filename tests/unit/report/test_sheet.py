"""The sheet and the table say what the record says. A second program reads them."""

import csv
from decimal import Decimal
from io import StringIO

import pypdfium2
import pytest

from supervisor.cell.value import replace
from supervisor.report.account import accounts
from supervisor.report.deviation import picture
from supervisor.report.figures import Figures, figures
from supervisor.report.sheet import Proof, sheet
from supervisor.report.table import COLUMNS, table
from supervisor.verdict.record import Correction, Vouching
from supervisor.verdict.suspicion import SuspectValue

PROOF = Proof(seq=1790, entry_hash="0123456789abcdef" * 4)
CELL = "Inspection cell for vane pump parts"


def words_of(content: bytes) -> str:
    document = pypdfium2.PdfDocument(content)
    pages = [page.get_textpage().get_text_bounded() for page in document]
    return " ".join(" ".join(pages).split())


def test_a_sheet_says_all_that_the_record_says(rejected):
    words = words_of(sheet(rejected, PROOF, cell=CELL))
    assert "X nonconforming" in words
    for content in (rejected.serial, rejected.part_type, rejected.pallet, rejected.rule, CELL):
        assert content in words
    for finding in rejected.findings:
        assert finding.name in words
        by = finding.decided_by
        if by is not None:
            assert f"± {by.expanded_u.normalize():f}" in words
            assert by.run_id in words


def test_a_sheet_shows_the_hash_of_its_entry(rejected):
    words = words_of(sheet(rejected, PROOF, cell=CELL)).replace(" ", "")
    assert PROOF.entry_hash in words
    assert rejected.declaration in words


def test_a_sheet_says_what_was_corrected_and_how_a_station_is_calibrated(rejected):
    offset = Correction(
        kind="offset", name="touch-1 to reference", amount=Decimal("-0.0012"), u=Decimal("0.0004")
    )
    by = replace(
        rejected.findings[0].decided_by, raw=62.0212, corrections=(offset,), calibration="K-17",
        last_check=Vouching(program="ring-touch", run_id="R7", at_ms=1_764_000_000_000),
    )  # fmt: skip
    corrected = replace(rejected, findings=(replace(rejected.findings[0], decided_by=by),))
    words = words_of(sheet(corrected, PROOF, cell=CELL))
    assert "gave 62.0212 mm; touch-1 to reference -0.0012 mm (u = 0.0004 mm)" in words
    assert "calibration K-17" in words
    number = rejected.findings[0].number
    assert f"ring-touch, run R7, 2025-11-24 16:00:00 UTC; for {number}" in words
    assert "What was corrected" not in words_of(sheet(rejected, PROOF, cell=CELL))


def test_the_same_record_gives_the_same_bytes(rejected):
    first = sheet(rejected, PROOF, cell=CELL)
    assert sheet(rejected, PROOF, cell=CELL) == first
    assert sheet(replace(rejected, revision=2), PROOF, cell=CELL) != first


def test_every_page_says_of_how_many_it_is_one(records):
    longest = max(records, key=lambda each: len(each.findings))
    many = replace(longest, findings=longest.findings * 4)
    content = sheet(many, PROOF, cell=CELL)
    pages = len(pypdfium2.PdfDocument(content))
    assert pages > 2
    for number in range(1, pages + 1):
        assert f"page {number} of {pages}" in words_of(content)


def test_a_part_of_thirty_characteristics_stands_on_one_page_with_its_hash_in_one_piece(records):
    longest = max(records, key=lambda each: len(each.findings))
    assert len(longest.findings) == 30
    for record in records:
        content = sheet(record, PROOF, cell=CELL)
        assert len(pypdfium2.PdfDocument(content)) == 1, record.part_type
        assert PROOF.entry_hash in words_of(content)


def test_every_characteristic_with_a_limit_has_a_picture(records):
    for record in records:
        for finding in record.findings:
            assert picture(finding) is not None, (record.part_type, finding.number)


def test_limits_have_equal_places_and_an_uncertainty_those_of_its_value(rejected):
    finding = rejected.findings[0]
    by = replace(finding.decided_by, value=6.00412, expanded_u=Decimal("0.01"))
    bore = replace(finding, lower=Decimal(6), upper=Decimal("6.012"), decided_by=by)
    assert figures(bore) == Figures(lower="6.000", upper="6.012", value="6.004 ± 0.010")
    finer = replace(by, expanded_u=Decimal("0.00185"))
    told = figures(replace(bore, lower=None, decided_by=finer))
    assert told == Figures(lower="", upper="6.012", value="6.0041 ± 0.00185"), "no digit is lost"
    assert figures(replace(bore, decided_by=replace(by, value=None))).value == "no value ± 0.01"


def test_runs_come_in_the_order_of_time_and_say_how_warm_the_part_was(rejected):
    first, second, *_ = rejected.findings
    begun_ms = 1_764_000_000_000

    def run(finding, name, at_ms, **more):
        by = replace(finding.decided_by, run_id=name, measured_ms=at_ms, **more)
        return replace(finding, decided_by=by, monitored_by=())

    cold = run(first, "R10", begun_ms + 60_000)
    warm = run(second, "R9", begun_ms, part_c=22.4, compensated="no")
    (told,) = [a for a in accounts(replace(rejected, findings=(cold, warm))) if a.title == "Runs"]
    assert [line.split(", run ")[1] for line in told.lines] == [
        "R9, 2025-11-24 16:00:00 UTC, part at 22.4 °C, not compensated",
        "R10, 2025-11-24 16:01:00 UTC",
    ]


def test_only_of_what_is_undecided_the_probability_is_told(rejected):
    open_one = replace(
        rejected.findings[0], verdict="undecided", why="near the limit", conformance_probability=0.7071
    )  # fmt: skip
    told = accounts(replace(rejected, findings=(open_one,)))[0]
    assert told.lines == (f"{open_one.number}: near the limit (70.71 % probable to conform)",)


def test_what_comes_from_outside_is_no_markup(rejected):
    strange = replace(rejected, batch='<b>&"x"</b>', serial="<para>1</para>")
    words = words_of(sheet(strange, PROOF, cell="<i>cell</i>"))
    assert '<b>&"x"</b>' in words
    assert "<para>1</para>" in words


def test_a_sheet_reads_in_black_and_white(rejected):
    page = pypdfium2.PdfDocument(sheet(rejected, PROOF, cell=CELL))[0]
    colours = page.render(scale=0.5).to_numpy().reshape(-1, 3)
    assert (colours.max(axis=1) - colours.min(axis=1)).max() == 0  # every point is a grey


def undoubted(records):
    """Records of which nothing is suspect."""
    return [(record, ()) for record in records]


def doubt(record, at=0):
    """That a value of a record is in doubt."""
    by = record.findings[at].decided_by
    why = "touch-1 missed master-ring MR-7 in run R9"
    number = record.findings[at].number
    return SuspectValue(number=number, station=by.station, run_id=by.run_id, why=why)


def test_a_value_in_doubt_is_marked_in_its_line_of_sheet_and_table(records):
    record = next(r for r in records if r.verdict == "conforming")
    suspect = doubt(record, at=1)
    words = words_of(sheet(record, PROOF, cell=CELL, suspect=[suspect]))
    assert words.count("SUSPECT") == 1
    assert "Suspect since the record was made" in words
    assert "suspect" not in words_of(sheet(record, PROOF, cell=CELL)).lower()

    lines = list(csv.DictReader(StringIO("".join(table([(record, [suspect])])))))
    assert [line["suspect"] for line in lines if line["suspect"]] == [suspect.why]
    assert lines[1]["suspect"] == suspect.why
    assert lines[1]["verdict"] == "conforming", "the verdict stays the one of the record"


def test_a_table_has_a_line_for_each_characteristic_with_every_digit(records):
    lines = list(csv.DictReader(StringIO("".join(table(undoubted(records))))))
    findings = [(record, f) for record in records for f in record.findings]
    assert len(lines) == len(findings)
    for line, (record, finding) in zip(lines, findings, strict=True):
        assert (line["serial"], line["number"]) == (record.serial, finding.number)
        assert line["verdict"] == finding.verdict
        by = finding.decided_by
        if by is not None:
            assert float(line["value"]) == by.value
            assert Decimal(line["expanded_u"]) == by.expanded_u
        if finding.upper is not None:
            assert Decimal(line["upper"]) == finding.upper


def test_a_characteristic_without_a_value_keeps_its_columns(rejected):
    finding = replace(rejected.findings[0], decided_by=None, verdict="not measured")
    (line,) = csv.DictReader(
        StringIO("".join(table(undoubted([replace(rejected, findings=(finding,))]))))
    )
    assert (line["value"], line["verdict"], line["why"]) == ("", "not measured", finding.why)


@pytest.mark.parametrize("start", ["=", "+", "-", "@"])
def test_a_text_is_never_a_formula(rejected, start):
    (_, line, *_) = csv.reader(
        StringIO(
            "".join(
                table(
                    undoubted(
                        [replace(rejected, batch=f"{start}1+1", findings=rejected.findings[:1])]
                    )
                )
            )
        )
    )
    assert line[COLUMNS.index("batch")] == f"'{start}1+1"
