"""Plans from tables and from QIF become part types that the loader takes; mistakes name the line that they were made in."""

from decimal import Decimal

import pytest

from supervisor.cell.document import load_document
from supervisor.cell.kinds import KINDS
from supervisor.cell.plan import characteristic_of
from supervisor.cell.plan_csv import plan_from_csv
from supervisor.cell.plan_line import Head
from supervisor.cell.plan_qif import STEMS, plan_from_qif
from supervisor.cell.problem import DeclarationError
from supervisor.cell.schema import PartTypeFile

HEAD = Head(part_type="pump-body", title="Pump body: new", gtin="09521234001010", revision="C")
TABLE = """\
number,name,kind,nominal,lower,upper,plus_minus,lower_deviation,upper_deviation,iso286,unit,datum,need,required_u
1,Rotor bore,diameter,,,,,,,62 H7,,,,
2,"Rotor bore, form",cylindricity,,,0.010,,,,,,,,
3,Depth,depth,32,,,,0,0.05,,,,,
012,Port,distance,41,,,0.1,,,,,B,informative,
5,Chamfer,angle,45,,,1,,,,deg,,,
6,Wall,thickness,2.2,1.9,,,,,,,,,0.020
"""


def characteristics(tmp_path, text):
    file = tmp_path / "part-type.yaml"
    file.write_text(text, encoding="utf-8")
    content, problems = load_document(file, PartTypeFile)
    assert problems == []
    return {entry.number: characteristic_of(entry, content.unit) for entry in content.plan}


def written(tmp_path, name, text):
    file = tmp_path / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def refused(read, file):
    with pytest.raises(DeclarationError) as caught:
        read(file, HEAD)
    return {(each.line, each.field): each for each in caught.value.problems}


# --- tables ----------------------------------------------------------------------------------------------------------------------


def test_a_table_becomes_a_plan_with_the_digits_that_it_had(tmp_path):
    made = plan_from_csv(written(tmp_path, "plan.csv", TABLE), HEAD)
    found = characteristics(tmp_path, made.text)
    assert list(found) == ["1", "2", "3", "012", "5", "6"]
    assert (found["1"].lower, found["1"].upper) == (
        Decimal("62.000"),
        Decimal("62.030"),
    )  # ISO 286-2, 62 H7
    assert str(found["2"].upper) == "0.010"
    assert (found["3"].lower, found["3"].upper) == (Decimal(32), Decimal("32.05"))
    assert (found["012"].need, found["012"].datum) == ("informative", "B")
    assert found["5"].unit == "deg"
    assert found["6"].required_u == Decimal("0.020")


def test_the_custom_of_semicolons_and_decimal_commas_is_understood(tmp_path):
    text = "number;name;kind;nominal;plus_minus\n1;Maß über alles;distance;68,5;0,05\n"
    made = plan_from_csv(written(tmp_path, "plan.csv", "\ufeff" + text), HEAD)
    (found,) = characteristics(tmp_path, made.text).values()
    assert (found.name, found.lower) == ("Maß über alles", Decimal("68.45"))


@pytest.mark.parametrize(
    ("line", "place"),
    [
        ("1,Bore,diametre,25,,25.02", (2, "kind")),
        ("1,Bore,diameter,25,25.03,25.02", (2, "limits")),
        ("1,Bore,diameter,25,2x,25.02", (2, "lower")),
        ("1,Bore,diameter,25,,,", (2, "")),
        ("1,Face,perpendicularity,,,0.02", (2, "datum")),
        ("1,Bore,diameter,,24.9,25.02", (2, "nominal")),
        ("1,,diameter,25,24.9,25.1", (2, "name")),
        ("1,Bore,diameter,25,24.9,25.1\n1,Bore,diameter,25,24.9,25.1", (3, "number")),
        ('1,"Bore\nwide",diameter,25,24.9,25.1\n2,Bore,diameter,25,26,25.1', (4, "limits")),
    ],
)
def test_a_mistake_in_a_table_is_named_by_its_line(tmp_path, line, place):
    file = written(tmp_path, "plan.csv", f"number,name,kind,nominal,lower,upper\n{line}\n")
    found = refused(plan_from_csv, file)
    assert place in found, found
    assert all(each.file == str(file) for each in found.values())


def test_a_misspelt_column_is_a_mistake_with_the_word_that_was_meant(tmp_path):
    found = refused(plan_from_csv, written(tmp_path, "plan.csv", "number,name,kind,uper\n"))
    assert "did you mean upper?" in found[1, ""].remedy


@pytest.mark.parametrize(
    "text", ["", "number,name,kind\n", b"number,name,kind\n1,Ma\xdf,diameter\n"]
)
def test_a_table_that_is_none_is_refused_with_its_line(tmp_path, text):
    found = refused(plan_from_csv, written(tmp_path, "plan.csv", text))
    assert {line for line, _ in found} <= {1, 2}


# --- QIF -------------------------------------------------------------------------------------------------------------------------

QIF = """<?xml version="1.0" encoding="UTF-8"?>
<QIFDocument xmlns="http://qifstandards.org/xsd/qif3" versionQIF="3.0.0" idMax="40">
 <QPId>11111111-1111-1111-1111-111111111111</QPId>
 <FileUnits><PrimaryUnits>
  <AngularUnit><SIUnitName>radian</SIUnitName><UnitName>degree</UnitName><UnitConversion><Factor>0.017453292519943</Factor></UnitConversion></AngularUnit>
  <LinearUnit><SIUnitName>meter</SIUnitName><UnitName>UNIT</UnitName><UnitConversion><Factor>FACTOR</Factor></UnitConversion></LinearUnit>
 </PrimaryUnits></FileUnits>
 <DatumDefinitions n="2"><DatumDefinition id="1"><DatumLabel>A</DatumLabel></DatumDefinition><DatumDefinition id="2"><DatumLabel>B</DatumLabel></DatumDefinition></DatumDefinitions>
 <DatumReferenceFrames n="1"><DatumReferenceFrame id="3"><Datums n="2">
  <Datum><SimpleDatum><DatumDefinitionId>1</DatumDefinitionId></SimpleDatum></Datum>
  <Datum><SimpleDatum><DatumDefinitionId>2</DatumDefinitionId></SimpleDatum></Datum>
 </Datums></DatumReferenceFrame></DatumReferenceFrames>
 <Characteristics>
  <CharacteristicDefinitions n="4">
   <DiameterCharacteristicDefinition id="10"><Tolerance><MaxValue>0.25</MaxValue><MinValue>-0.1</MinValue><DefinedAsLimit>false</DefinedAsLimit></Tolerance></DiameterCharacteristicDefinition>
   <DiameterCharacteristicDefinition id="11"><Tolerance><MaxValue>10.4</MaxValue><MinValue>9.6</MinValue><DefinedAsLimit>true</DefinedAsLimit></Tolerance></DiameterCharacteristicDefinition>
   <PositionCharacteristicDefinition id="12"><ToleranceValue>0.5</ToleranceValue><DatumReferenceFrameId>3</DatumReferenceFrameId><MaterialCondition>REGARDLESS</MaterialCondition></PositionCharacteristicDefinition>
   <LengthCharacteristicDefinition id="13"><NonTolerance>MEASURED</NonTolerance></LengthCharacteristicDefinition>
  </CharacteristicDefinitions>
  <CharacteristicNominals n="4">
   <DiameterCharacteristicNominal id="20"><CharacteristicDefinitionId>10</CharacteristicDefinitionId><TargetValue>10</TargetValue></DiameterCharacteristicNominal>
   <DiameterCharacteristicNominal id="21"><CharacteristicDefinitionId>11</CharacteristicDefinitionId><TargetValue>10</TargetValue></DiameterCharacteristicNominal>
   <PositionCharacteristicNominal id="22"><CharacteristicDefinitionId>12</CharacteristicDefinitionId></PositionCharacteristicNominal>
   <LengthCharacteristicNominal id="23"><CharacteristicDefinitionId>13</CharacteristicDefinitionId><TargetValue>7</TargetValue></LengthCharacteristicNominal>
  </CharacteristicNominals>
  <CharacteristicItems n="4">
   <DiameterCharacteristicItem id="30"><Name>HOLE1</Name><CharacteristicDesignator><Designator>6</Designator></CharacteristicDesignator><CharacteristicNominalId>20</CharacteristicNominalId></DiameterCharacteristicItem>
   <DiameterCharacteristicItem id="31"><Name>HOLE2</Name><CharacteristicDesignator><Designator>8</Designator></CharacteristicDesignator><CharacteristicNominalId>21</CharacteristicNominalId></DiameterCharacteristicItem>
   <PositionCharacteristicItem id="32"><Name>HOLE2</Name><CharacteristicDesignator><Designator>9</Designator></CharacteristicDesignator><CharacteristicNominalId>22</CharacteristicNominalId></PositionCharacteristicItem>
   <LengthCharacteristicItem id="33"><Name>REF</Name><CharacteristicDesignator><Designator>11</Designator></CharacteristicDesignator><CharacteristicNominalId>23</CharacteristicNominalId></LengthCharacteristicItem>
  </CharacteristicItems>
 </Characteristics>
</QIFDocument>
"""
MM = QIF.replace("UNIT", "mm").replace("FACTOR", "0.001")


def line_of(text, needle):
    return text[: text.index(needle)].count("\n") + 1


def test_a_qif_document_becomes_a_plan_with_deviations_limits_and_datums(tmp_path):
    made = plan_from_qif(written(tmp_path, "plan.qif", MM), HEAD)
    found = characteristics(tmp_path, made.text)
    assert (found["6"].lower, found["6"].upper) == (Decimal("9.9"), Decimal("10.25"))
    assert (found["8"].lower, found["8"].upper) == (Decimal("9.6"), Decimal("10.4"))
    assert (found["9"].kind, found["9"].upper, found["9"].datum) == (
        "position",
        Decimal("0.5"),
        "A | B",
    )
    assert "11" not in found
    (note,) = made.notes
    assert "11 has no tolerance" in note
    assert note in made.text


def test_inches_become_millimetres_exactly(tmp_path):
    text = QIF.replace("UNIT", "inch").replace("FACTOR", "0.0254")
    found = characteristics(tmp_path, plan_from_qif(written(tmp_path, "plan.qif", text), HEAD).text)
    assert (found["8"].lower, found["8"].upper) == (Decimal("243.84"), Decimal("264.16"))


@pytest.mark.parametrize(
    ("before", "after", "where"),
    [
        ("REGARDLESS", "MAXIMUM", 'id="12"'),
        ("<CharacteristicNominalId>20", "<CharacteristicNominalId>99", 'id="30"'),
        ("<MaxValue>10.4", "<MaxValue>ten", 'id="11"'),
        ("<UnitName>degree", "<UnitName>radian", "<FileUnits>"),
        ("<Designator>8<", "<Designator>6<", 'id="31"'),
        ("DiameterCharacteristicDefinition id", "WeldCharacteristicDefinition id", 'id="30"'),
    ],
)
def test_a_mistake_in_a_document_is_named_by_its_line(tmp_path, before, after, where):
    text = MM.replace(before, after)
    if "Weld" in after:
        text = text.replace("/DiameterCharacteristicDefinition", "/WeldCharacteristicDefinition")
    found = refused(plan_from_qif, written(tmp_path, "plan.qif", text))
    assert line_of(text, where) in {line for line, _ in found} | {line - 1 for line, _ in found}, (
        found
    )


BOMB = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><QIFDocument>&b;</QIFDocument>'


@pytest.mark.parametrize("text", ["", "<a>", "<a/>", BOMB, "<a>" * 300])
def test_what_is_no_qif_document_is_refused_and_nothing_is_unfolded(tmp_path, text):
    found = refused(plan_from_qif, written(tmp_path, "plan.qif", text))
    assert all("QIF 3.0" in each.expected for each in found.values())


def test_every_kind_that_is_read_is_one_of_a_plan():
    assert set(STEMS.values()) <= set(KINDS)
