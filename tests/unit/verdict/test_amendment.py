"""An amendment makes the next revision of a record and never invents a value."""

from decimal import Decimal

import pytest

from supervisor.cell.value import replace
from supervisor.verdict.amendment import AmendmentRefused, Wanted, amended
from supervisor.verdict.change import Change
from supervisor.verdict.record import Evidence, Finding, Record

BY = Evidence(
    value=20.0105, unit="mm", quality="good", expanded_u=Decimal("0.002"), k=Decimal(2), station="touch-1",
    program="body", program_revision="7", run_id="R1", result_id="touch-1/R1", measured_ms=5,
)  # fmt: skip
BORE = Finding(
    number="1", name="bore", kind="diameter", unit="mm", nominal=Decimal(20), lower=Decimal("20.000"),
    upper=Decimal("20.021"), accept_lower=Decimal("20.00165"), accept_upper=Decimal("20.01935"), need="mandatory",
    verdict="conforming", why="it is inside", decided_by=BY, monitored_by=(replace(BY, station="scan-1"),),
)  # fmt: skip
OPEN = replace(BORE, number="2", decided_by=None, verdict="not measured", need="informative")
RECORD = Record(
    serial="100017", part_type="pump-body", plan_revision="C", batch="B1", produced="", pallet="grai:1",
    declaration="d", rule="ISO 14253-1", revision=1, entered_ms=1, decided_ms=9, verdict="conforming", why="all good",
    findings=(BORE, OPEN),
)  # fmt: skip
NOTHING = Wanted(batch=None, produced=None, withdrawn=(), why="because")


def test_another_batch_is_the_only_difference_of_the_next_revision():
    later, changes = amended(RECORD, replace(NOTHING, batch="B2"))
    assert later == replace(RECORD, batch="B2", revision=2)
    assert changes == (Change(field="batch", before="B1", after="B2"),)


def test_a_withdrawn_value_is_not_measured_and_stays_to_be_seen():
    later, changes = amended(RECORD, replace(NOTHING, withdrawn=("1",), why="the probe was bent"))
    finding = later.findings[0]
    assert (finding.verdict, finding.decided_by) == ("not measured", None)
    assert finding.monitored_by == (BY, *BORE.monitored_by)
    assert "the probe was bent" in finding.why
    assert changes == (Change(field="characteristic 1", before="conforming", after="not measured"),)


def test_the_verdict_of_the_part_follows_a_withdrawn_value():
    later, _ = amended(RECORD, replace(NOTHING, withdrawn=("1",)))
    assert later.verdict == "not measured"
    assert later.decided_ms == RECORD.decided_ms


@pytest.mark.parametrize("number", ["2", "99"])
def test_only_a_deciding_value_can_be_withdrawn(number):
    with pytest.raises(AmendmentRefused, match=f"characteristic {number}"):
        amended(RECORD, replace(NOTHING, withdrawn=(number,)))


def test_an_amendment_that_changes_nothing_is_refused():
    with pytest.raises(AmendmentRefused, match="nothing"):
        amended(RECORD, replace(NOTHING, batch="B1"))
