"""The QIF document of a record keeps to the schema parts at hand, and says what the record says."""

from decimal import Decimal
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import xmlschema

from supervisor.cell.document import load_document
from supervisor.cell.kinds import KINDS as PLAN_KINDS
from supervisor.cell.plan import characteristic_of
from supervisor.cell.plan_line import Head
from supervisor.cell.plan_qif import plan_from_qif
from supervisor.cell.schema import PartTypeFile
from supervisor.cell.value import replace
from supervisor.report.qif import qif
from supervisor.report.qif_words import CHARACTERISTIC_STATUS, INSPECTION_STATUS
from supervisor.report.sheet import Proof
from supervisor.verdict.record import Correction, Record, Vouching
from supervisor.verdict.suspicion import SuspectValue

SPACE = {"q": "http://qifstandards.org/xsd/qif3"}
PROOF = Proof(seq=1790, entry_hash="0123456789abcdef" * 4)
CELL = "Inspection cell for vane pump parts"


@pytest.fixture(scope="session")
def schema() -> xmlschema.XMLSchema:
    return xmlschema.XMLSchema(Path(__file__).with_name("qif_results.xsd"))


def written(record: Record) -> ET.Element:
    return ET.fromstring(qif(record, PROOF, cell=CELL))


def measurements(document: ET.Element) -> list[ET.Element]:
    return document.findall(".//q:CharacteristicMeasurements/*", SPACE)


def attributes(element: ET.Element) -> dict[str, str]:
    found = element.findall("q:Attributes/q:AttributeStr", SPACE)
    return {each.get("name"): each.get("value") for each in found}


def said(element: ET.Element, path: str) -> str:
    return element.findtext(path, "", SPACE)


def test_every_record_of_a_shift_keeps_to_the_schema(records, schema):
    for record in records:
        schema.validate(qif(record, PROOF, cell=CELL).decode())


@pytest.mark.parametrize("kind", sorted(PLAN_KINDS))
@pytest.mark.parametrize("limits", ["both", "lower", "upper", "none"])
def test_every_kind_with_any_limits_keeps_to_the_schema(rejected, schema, kind, limits):
    finding = replace(
        rejected.findings[0],
        kind=kind,
        lower=Decimal("1.0") if limits in ("both", "lower") else None,
        upper=Decimal("1.1") if limits in ("both", "upper") else None,
    )
    schema.validate(qif(replace(rejected, findings=(finding,)), PROOF, cell=CELL).decode())


def test_the_schema_at_hand_refuses_what_it_should(rejected, schema):
    text = qif(rejected, PROOF, cell=CELL).decode()
    for wrong in (
        text.replace("<CharacteristicItemId>", "<CharacteristicItemId>9", 1),
        text.replace("PASS", "FINE", 1),
        text.replace("<QPId>", "<QPId>x"),
    ):
        assert wrong != text
        assert not schema.is_valid(wrong)


def test_a_value_stands_with_its_uncertainty_station_and_run(rejected):
    document = written(rejected)
    devices = {
        each.get("id"): said(each, "q:Name")
        for each in document.findall(".//q:MeasurementDevice", SPACE)
    }
    decided = [each for each in measurements(document) if attributes(each)["role"] == "decided"]
    assert len(decided) == len(rejected.findings)
    for element, finding in zip(decided, rejected.findings, strict=True):
        assert (
            said(element, "q:Status/q:CharacteristicStatusEnum")
            == CHARACTERISTIC_STATUS[finding.verdict]
        )
        by = finding.decided_by
        if by is None:
            assert element.find("q:Value", SPACE) is None
            continue
        assert devices[said(element, "q:MeasurementDeviceIds/q:Id")] == by.station
        assert attributes(element)["run"] == by.run_id
        value = element.find("q:Value", SPACE)
        assert float(value.text) == by.value
        u = Decimal(value.get("combinedUncertainty"))
        assert u == by.standard_u


def test_a_value_in_doubt_is_told_and_keeps_its_status(rejected, schema):
    finding = rejected.findings[0]
    by = finding.decided_by
    suspect = SuspectValue(
        number=finding.number, station=by.station, run_id=by.run_id, why="touch-1 missed its ring"
    )
    text = qif(rejected, PROOF, cell=CELL, suspect=[suspect]).decode()
    schema.validate(text)
    document = ET.fromstring(text)
    decided = [each for each in measurements(document) if attributes(each)["role"] == "decided"]
    told = [attributes(each).get("suspect") for each in decided]
    assert told[0] == f"by {by.station}, run {by.run_id}: touch-1 missed its ring"
    assert set(told[1:]) == {None}
    status = said(decided[0], "q:Status/q:CharacteristicStatusEnum")
    assert status == CHARACTERISTIC_STATUS[finding.verdict]
    (results,) = document.findall(".//q:MeasurementResults", SPACE)
    assert attributes(results)["suspect"] == finding.number
    assert b"suspect" not in qif(rejected, PROOF, cell=CELL)


def test_what_was_corrected_and_with_which_calibration_is_told(rejected, schema):
    offset = Correction(
        kind="offset", name="touch-1 to reference", amount=Decimal("-0.0012"), u=Decimal("0.0004")
    )
    by = replace(
        rejected.findings[0].decided_by,
        raw=62.02,
        corrections=(offset,),
        dof=9,
        calibration="K-17",
        calibration_due="2026-03-01",
        last_check=Vouching(program="ring-touch", run_id="R7", at_ms=1_764_000_000_000),
    )
    finding = replace(rejected.findings[0], decided_by=by, conformance_probability=0.987)
    text = qif(replace(rejected, findings=(finding,)), PROOF, cell=CELL).decode()
    schema.validate(text)
    about = attributes(measurements(ET.fromstring(text))[0])
    assert about["correction"] == "touch-1 to reference -0.0012 mm (u = 0.0004 mm)"
    assert about["lastCheck"] == "ring-touch, run R7, 2025-11-24T16:00:00.000+00:00"
    assert (about["rawValue"], about["degreesOfFreedom"], about["calibration"]) == (
        "62.02",
        "9",
        "K-17",
    )
    assert about["conformanceProbability"] == "0.987"


def test_an_uncertainty_that_an_older_record_did_not_keep_is_u_divided_by_k(rejected):
    by = replace(rejected.findings[0].decided_by, standard_u=None)
    finding = replace(rejected.findings[0], decided_by=by, monitored_by=())
    document = written(replace(rejected, findings=(finding,)))
    (value,) = document.findall(".//q:Value", SPACE)
    assert Decimal(value.get("combinedUncertainty")) * by.k == by.expanded_u


def test_what_other_stations_measured_is_there_and_decides_nothing(records):
    record = next(each for each in records if any(f.monitored_by for f in each.findings))
    beside = [e for e in measurements(written(record)) if attributes(e)["role"] == "monitored"]
    assert len(beside) == sum(len(finding.monitored_by) for finding in record.findings)
    assert {said(each, "q:Status/q:CharacteristicStatusEnum") for each in beside} == {
        "NOT_ANALYZED"
    }


def test_the_part_has_its_verdict_and_its_proof(rejected):
    document = written(rejected)
    results = document.find(".//q:MeasurementResults", SPACE)
    assert said(results, "q:InspectionStatus/q:InspectionStatusEnum") == "FAIL"
    assert said(document, ".//q:SerialNumber") == rejected.serial
    about = attributes(results)
    assert about["journalEntrySha256"] == PROOF.entry_hash
    assert about["decisionRule"] == rejected.rule


def test_a_limit_keeps_every_digit_and_micrometres_become_millimetres(rejected):
    finding = rejected.findings[0]
    exact = replace(
        finding,
        kind="diameter",
        unit="um",
        lower=Decimal("0.100000000000000000001"),
        upper=Decimal("1234.5"),
        decided_by=None,
        monitored_by=(),
    )
    document = written(replace(rejected, findings=(exact,)))
    assert said(document, ".//q:MinValue") == "0.000100000000000000000001"
    assert said(document, ".//q:MaxValue") == "1.2345"


def test_the_same_record_gives_the_same_bytes_and_another_one_other_identifiers(rejected):
    first = qif(rejected, PROOF, cell=CELL)
    assert qif(rejected, PROOF, cell=CELL) == first
    other = ET.fromstring(qif(rejected, replace(PROOF, seq=9), cell=CELL))
    assert said(other, "q:QPId") != said(ET.fromstring(first), "q:QPId")


def test_what_xml_cannot_hold_is_shown_as_replaced(rejected, schema):
    strange = replace(rejected, serial="1\x00\x1f<&>\ud800", batch='"]]>')
    schema.validate(qif(strange, PROOF, cell=CELL).decode())
    assert said(written(strange), ".//q:SerialNumber") == "1��<&>�"


def test_a_plan_read_back_from_a_record_has_its_limits(rejected, tmp_path):
    """Orientation and the like need a datum, which a record does not hold; all others come back."""
    findings = tuple(f for f in rejected.findings if PLAN_KINDS[f.kind].datum != "always")
    file = tmp_path / "record.qif"
    file.write_bytes(qif(replace(rejected, findings=findings), PROOF, cell=CELL))
    head = Head(part_type="pump-body", title="Pump body", gtin="09521234001010", revision="C")
    text = plan_from_qif(file, head).text
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    content, problems = load_document(tmp_path / "plan.yaml", PartTypeFile)
    assert problems == []
    back = [characteristic_of(entry, content.unit) for entry in content.plan]
    for found, finding in zip(back, findings, strict=True):
        assert (found.number, found.kind) == (finding.number, finding.kind)
        assert (found.lower, found.upper) == (finding.lower, finding.upper)


def test_every_verdict_has_its_word():
    assert INSPECTION_STATUS.keys() == CHARACTERISTIC_STATUS.keys()
