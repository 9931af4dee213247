"""The summary sheet shows figures that people can read; a second program reads them."""

from decimal import Decimal

import pypdfium2

from supervisor.cell.value import replace
from supervisor.report.summary import summarised
from supervisor.report.summary_sheet import summary_sheet


def test_mean_deviation_and_extremes_stop_at_the_second_digit_of_the_deviation(rejected):
    def measured(value):
        finding = rejected.findings[0]
        by = replace(finding.decided_by, value=value)
        bore = replace(finding, lower=Decimal(6), upper=Decimal("6.012"), decided_by=by)
        return replace(rejected, findings=(bore,), serial=str(value)), ()

    groups = summarised([measured(6.00312345), measured(6.00401), measured(6.00589999)])
    page = pypdfium2.PdfDocument(summary_sheet(groups, cell="cell", chosen="batch B7"))[0]
    words = " ".join(page.get_textpage().get_text_bounded().split())
    # arithmetic: mean 6.0043445, standard deviation 0.0014185
    assert "6.000 6.012" in words
    assert "6.0043, 0.0014 6.0031, 6.0059" in words


def test_one_value_has_no_deviation_and_keeps_its_digits(rejected):
    only = replace(rejected, findings=rejected.findings[:1])
    page = pypdfium2.PdfDocument(summary_sheet(summarised([(only, ())]), cell="c", chosen="x"))[0]
    words = " ".join(page.get_textpage().get_text_bounded().split())
    value = f"{only.findings[0].decided_by.value:.7g}"
    assert f"{value} {value}, {value}" in words
