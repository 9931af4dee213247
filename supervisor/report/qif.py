"""The record of one part as QIF 3.0 results (ISO 23952).

Rules of this file:
- Elements stand in the order of the public schema (see ``qif_words``); a list says how many it holds; ids are unique and count from 1.
- Lengths are millimetres, angles degrees. A limit keeps every digit; ``combinedUncertainty`` is the standard one that was applied.
- What the record does not hold is not invented: a kind whose QIF type needs a datum frame, a zone's shape or a direction is written
  as a user-defined characteristic with its kind in words.
- What QIF has no element for (decision rule, run, hash of the journal entry, doubt since a failed check) stands in ``Attributes``. A status
  is that of the record, which stays as it was kept.
- The same record gives the same bytes as long as no more is in doubt: identifiers are made from the hash of its journal entry.
"""

import re
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Context, Decimal
from xml.etree import ElementTree as ET

from supervisor.cell.value import value
from supervisor.report.figures import corrected
from supervisor.report.qif_words import (
    CHARACTERISTIC_STATUS,
    INSPECTION_STATUS,
    MONITORED,
    NAMESPACE,
    REQUIREMENTS,
    USER_DEFINED,
    VERSION,
    Requirement,
)
from supervisor.report.sheet import Proof
from supervisor.verdict.conformity import shown
from supervisor.verdict.record import Evidence, Finding, Record, Vouching
from supervisor.verdict.suspicion import SuspectValue

MEDIA_TYPE = "application/xml"
SEED = uuid.UUID("6f2c8d5e-0a53-4c0e-9d5b-1f0f6c9b7a21")
"""Keeps our name-based identifiers (RFC 9562, version 5) apart from everybody else's."""
UM_PER_MM = Decimal(1000)
_SHORT = Context(prec=12)

# XML 1.0 (fifth edition), production 2: what is no Char cannot stand in a document, not even as a reference.
_NO_CHAR = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Attribute = tuple[str, str]


class _Numbers:
    """The ids of one document."""

    def __init__(self) -> None:
        self.last = 0

    def next(self) -> int:
        self.last += 1
        return self.last


@value
class _Placed:
    """A characteristic in the document: what it is in QIF, and the ids of its three aspects."""

    finding: Finding
    requirement: Requirement
    definition: int
    nominal: int
    item: int


@value
class _Document:
    """What one document is made of: ``component`` is the id of the measured part, ``devices`` are ids by station.

    ``doubt`` is why deciding values are in doubt, by characteristic.
    """

    record: Record
    proof: Proof
    cell: str
    numbers: _Numbers
    component: int
    devices: Mapping[str, int]
    placed: Sequence[_Placed]
    doubt: Mapping[str, str]


def qif(record: Record, proof: Proof, *, cell: str, suspect: Sequence[SuspectValue] = ()) -> bytes:
    """The document of one record, in UTF-8; ``cell`` is the title of the cell.

    ``suspect`` are the values that a failed check has cast doubt on since.
    """
    numbers = _Numbers()
    part = numbers.next()
    document = _Document(
        record=record,
        proof=proof,
        cell=cell,
        numbers=numbers,
        component=numbers.next(),
        devices={name: numbers.next() for name in _stations(record)},
        placed=[_placed(numbers, finding) for finding in record.findings],
        doubt={
            each.number: f"by {each.station}, run {each.run_id}: {each.why}" for each in suspect
        },
    )
    root = ET.Element("QIFDocument", {"xmlns": NAMESPACE, "versionQIF": VERSION})
    _text(root, "QPId", _identifier(proof, "document"))
    _text(ET.SubElement(root, "Version"), "TimeCreated", _time(record.decided_ms))
    application = ET.SubElement(ET.SubElement(root, "Header"), "Application")
    _text(application, "Name", "Pointsman")
    _add_units(root)
    _add_devices(root, document.devices)
    _add_product(root, record, part)
    _add_characteristics(root, document.placed)
    _add_results(root, document)
    root.set("idMax", str(numbers.last))
    ET.indent(root)
    return ET.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def _stations(record: Record) -> list[str]:
    return sorted({each.station for finding in record.findings for each in _evidence(finding)})


def _evidence(finding: Finding) -> tuple[Evidence, ...]:
    deciding = () if finding.decided_by is None else (finding.decided_by,)
    return (*deciding, *finding.monitored_by)


def _placed(numbers: _Numbers, finding: Finding) -> _Placed:
    requirement = REQUIREMENTS.get(finding.kind, USER_DEFINED)
    if requirement.limited == "zone" and finding.upper is None:
        requirement = USER_DEFINED  # a zone without its width cannot be written as one
    return _Placed(
        finding=finding,
        requirement=requirement,
        definition=numbers.next(),
        nominal=numbers.next(),
        item=numbers.next(),
    )


# --- what the part should be ---------------------------------------------------------------------------------------------------


def _add_units(root: ET.Element) -> None:
    primary = ET.SubElement(ET.SubElement(root, "FileUnits"), "PrimaryUnits")
    _add_unit(primary, "AngularUnit", ("radian", "degree", "0.017453292519943295"))
    _add_unit(primary, "LinearUnit", ("meter", "mm", "0.001"))


def _add_unit(units: ET.Element, kind: str, words: tuple[str, str, str]) -> None:
    unit = ET.SubElement(units, kind)
    _text(unit, "SIUnitName", words[0])
    _text(unit, "UnitName", words[1])
    _text(ET.SubElement(unit, "UnitConversion"), "Factor", words[2])


def _add_devices(root: ET.Element, devices: Mapping[str, int]) -> None:
    if not devices:
        return
    several = _list(ET.SubElement(root, "MeasurementResources"), "MeasurementDevices", len(devices))
    for station, number in devices.items():
        _text(_numbered(several, "MeasurementDevice", number), "Name", station)


def _add_product(root: ET.Element, record: Record, part: int) -> None:
    element = _numbered(_list(ET.SubElement(root, "Product"), "PartSet", 1), "Part", part)
    _text(element, "ModelNumber", record.part_type)
    _text(element, "Version", record.plan_revision)


def _add_characteristics(root: ET.Element, placed: Sequence[_Placed]) -> None:
    if not placed:
        return
    aspects = ET.SubElement(root, "Characteristics")
    several = _list(aspects, "CharacteristicDefinitions", len(placed))
    for each in placed:
        _add_definition(several, each)
    several = _list(aspects, "CharacteristicNominals", len(placed))
    for each in placed:
        _add_nominal(several, each)
    several = _list(aspects, "CharacteristicItems", len(placed))
    for each in placed:
        _add_item(several, each)


def _add_definition(several: ET.Element, placed: _Placed) -> None:
    finding = placed.finding
    element = _numbered(
        several, f"{placed.requirement.stem}CharacteristicDefinition", placed.definition
    )
    if placed.requirement.limited == "zone":
        assert finding.upper is not None
        _text(element, "ToleranceValue", _plain(finding.upper, finding.unit))
        return
    _add_tolerance(element, finding)
    if placed.requirement.limited == "words":
        _text(element, "WhatToMeasure", finding.kind)


def _add_tolerance(element: ET.Element, finding: Finding) -> None:
    if finding.lower is None and finding.upper is None:
        _text(element, "NonTolerance", "MEASURED")
        return
    tolerance = ET.SubElement(element, "Tolerance")
    for name, limit in (("MaxValue", finding.upper), ("MinValue", finding.lower)):
        if limit is not None:
            _text(tolerance, name, _plain(limit, finding.unit))
    _text(tolerance, "DefinedAsLimit", "true")


def _add_nominal(several: ET.Element, placed: _Placed) -> None:
    element = _numbered(several, f"{placed.requirement.stem}CharacteristicNominal", placed.nominal)
    _text(element, "CharacteristicDefinitionId", str(placed.definition))
    if placed.requirement.limited != "zone":
        _text(element, "TargetValue", _plain(placed.finding.nominal, placed.finding.unit))


def _add_item(several: ET.Element, placed: _Placed) -> None:
    finding = placed.finding
    element = _numbered(several, f"{placed.requirement.stem}CharacteristicItem", placed.item)
    _add_attributes(element, [("kind", finding.kind), ("need", finding.need)])
    _text(element, "Name", finding.name)
    _text(ET.SubElement(element, "CharacteristicDesignator"), "Designator", finding.number)
    _text(element, "CharacteristicNominalId", str(placed.nominal))


# --- what the part is ----------------------------------------------------------------------------------------------------------


def _add_results(root: ET.Element, document: _Document) -> None:
    results = ET.SubElement(root, "Results")
    several = _list(results, "MeasurementResultsSet", 1)
    element = _numbered(several, "MeasurementResults", document.numbers.next())
    _add_attributes(element, _provenance(document))
    _text(element, "ThisResultsInstanceQPId", _identifier(document.proof, "results"))
    _add_measurements(element, document)
    status = INSPECTION_STATUS[document.record.verdict]
    _text(ET.SubElement(element, "InspectionStatus"), "InspectionStatusEnum", status)
    _text(_list(element, "ActualComponentIds", 1), "Id", str(document.component))
    sets = _list(_list(results, "ActualComponentSets", 1), "ActualComponentSet", 1)
    component = _numbered(sets, "ActualComponent", document.component)
    _text(component, "SerialNumber", document.record.serial)
    _text(ET.SubElement(component, "Status"), "InspectionStatusEnum", status)


def _provenance(document: _Document) -> list[Attribute]:
    record, proof = document.record, document.proof
    return [
        ("cell", document.cell),
        ("pallet", record.pallet),
        ("batch", record.batch),
        ("produced", record.produced),
        ("enteredAt", _time(record.entered_ms)),
        ("verdict", record.verdict),
        ("why", record.why),
        ("suspect", ", ".join(document.doubt)),
        ("decisionRule", record.rule),
        ("recordRevision", str(record.revision)),
        ("journalEntry", str(proof.seq)),
        ("journalEntrySha256", proof.entry_hash),
        ("declarationSha256", record.declaration),
    ]


def _add_measurements(element: ET.Element, document: _Document) -> None:
    if not document.placed:
        return
    measured = ET.SubElement(element, "MeasuredCharacteristics")
    several = ET.SubElement(measured, "CharacteristicMeasurements")
    for each in document.placed:
        _add_measurement(several, document, each, each.finding.decided_by)
        for evidence in each.finding.monitored_by:
            _add_measurement(several, document, each, evidence)
    several.set("n", str(len(several)))


def _add_measurement(
    several: ET.Element, document: _Document, placed: _Placed, evidence: Evidence | None
) -> None:
    finding = placed.finding
    name = f"{placed.requirement.stem}CharacteristicMeasurement"
    element = _numbered(several, name, document.numbers.next())
    role = "decided" if evidence is finding.decided_by else "monitored"
    status = CHARACTERISTIC_STATUS[finding.verdict] if role == "decided" else MONITORED
    about = [("role", role), *([("why", finding.why)] if role == "decided" else [])]
    if role == "decided" and finding.conformance_probability is not None:
        about.append(("conformanceProbability", repr(finding.conformance_probability)))
    if role == "decided":
        about.append(("suspect", document.doubt.get(finding.number, "")))
    if evidence is not None:
        about += _about(evidence)
    _add_attributes(element, about)
    _text(ET.SubElement(element, "Status"), "CharacteristicStatusEnum", status)
    _text(element, "CharacteristicItemId", str(placed.item))
    if evidence is not None:
        _text(element, "TimeStamp", _time(evidence.measured_ms))
    _text(element, "ActualComponentId", str(document.component))
    if evidence is None:
        return
    device = document.devices[evidence.station]
    _text(_list(element, "MeasurementDeviceIds", 1), "Id", str(device))
    if evidence.value is not None:
        number = _text(element, "Value", _plain(Decimal(repr(evidence.value)), evidence.unit))
        u = evidence.standard_u
        if u is None:  # an older record, which did not keep it
            u = _SHORT.divide(evidence.expanded_u, evidence.k)
        number.set("combinedUncertainty", _plain(u, evidence.unit))


def _about(evidence: Evidence) -> list[Attribute]:
    return [
        ("expandedUncertainty", _plain(evidence.expanded_u, evidence.unit)),
        ("coverageFactor", shown(evidence.k)),
        ("degreesOfFreedom", "" if evidence.dof is None else str(evidence.dof)),
        (
            "rawValue",
            "" if evidence.raw is None else _plain(Decimal(repr(evidence.raw)), evidence.unit),
        ),
        *(("correction", corrected(each, evidence.unit)) for each in evidence.corrections),
        ("stationSerial", evidence.station_serial),
        ("calibration", evidence.calibration),
        ("calibrationDue", evidence.calibration_due),
        ("lastCheck", _check(evidence.last_check)),
        ("quality", evidence.quality),
        ("program", evidence.program),
        ("programRevision", evidence.program_revision),
        ("run", evidence.run_id),
        ("result", evidence.result_id),
    ]


def _check(last: Vouching | None) -> str:
    return "" if last is None else f"{last.program}, run {last.run_id}, {_time(last.at_ms)}"


# --- elements ------------------------------------------------------------------------------------------------------------------


def _text(parent: ET.Element, name: str, content: str) -> ET.Element:
    element = ET.SubElement(parent, name)
    element.text = _clean(content)
    return element


def _numbered(parent: ET.Element, name: str, number: int) -> ET.Element:
    return ET.SubElement(parent, name, {"id": str(number)})


def _list(parent: ET.Element, name: str, count: int) -> ET.Element:
    return ET.SubElement(parent, name, {"n": str(count)})


def _add_attributes(element: ET.Element, attributes: Sequence[Attribute]) -> None:
    said = [(name, content) for name, content in attributes if content]
    several = _list(element, "Attributes", len(said))
    for name, content in said:
        ET.SubElement(several, "AttributeStr", {"name": name, "value": _clean(content)})


def _clean(content: str) -> str:
    return _NO_CHAR.sub("\N{REPLACEMENT CHARACTER}", content)


def _plain(number: Decimal, unit: str) -> str:
    """A number in the file's units, without an exponent."""
    return shown(number / UM_PER_MM if unit == "um" else number)


def _time(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds")


def _identifier(proof: Proof, what: str) -> str:
    return str(uuid.uuid5(SEED, f"{what} {proof.seq} {proof.entry_hash}"))
