"""Plans from QIF 3.0 (ISO 23952): the characteristics of a document, as items of their nominals and definitions.

Rules of this file:
- Element names are those of the public schema of QIF 3.0.0 (repository qif-community, folder bindings/CPP-Kramer/schema) and of its samples.
- Lengths become millimetres, exactly; angles stay degrees. Another unit of angle is a mistake, for its factor is not exact.
- What our plan cannot say (a material condition, a zone per unit length) is a mistake or a note, never left out without a word.
- A document type declaration is refused: QIF needs none, and entities of it can be made to fill the memory.
"""

from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from pathlib import Path
from xml.parsers import expat

from supervisor.cell.kinds import KINDS
from supervisor.cell.plan_line import Head, Imported, Origin, PlanLine, imported
from supervisor.cell.problem import DeclarationError, Problem

NAMESPACE = "http://qifstandards.org/xsd/qif3"
MM_PER_M = 1000
DEPTH_MAX = 200

STEMS: dict[str, str] = {
    "Diameter": "diameter",
    "Radius": "radius",
    "Length": "distance",
    "DistanceBetween": "distance",
    "DistanceFrom": "distance",
    "Width": "width",
    "Height": "height",
    "Depth": "depth",
    "Thickness": "thickness",
    "Angle": "angle",
    "AngleBetween": "angle",
    "AngleFrom": "angle",
    "Straightness": "straightness",
    "Flatness": "flatness",
    "Circularity": "roundness",
    "Cylindricity": "cylindricity",
    "LineProfile": "profile of a line",
    "SurfaceProfile": "profile of a surface",
    "Parallelism": "parallelism",
    "Perpendicularity": "perpendicularity",
    "Angularity": "angularity",
    "Position": "position",
    "Coaxiality": "coaxiality",
    "Symmetry": "symmetry",
    "CircularRunout": "circular run-out",
    "TotalRunout": "total run-out",
    "SurfaceTexture": "roughness",
}
"""The kind of a plan, by the stem of QIF's element names."""
USER_DEFINED = "UserDefinedLinear"


class Node:
    """An element with the line that it begins in. Names are without the namespace of QIF."""

    __slots__ = ("attributes", "children", "line", "name", "text")

    def __init__(self, name: str, attributes: dict[str, str], line: int) -> None:
        self.name, self.attributes, self.line = name, attributes, line
        self.children: list[Node] = []
        self.text = ""

    def child(self, *path: str) -> "Node | None":
        """The first element at the end of a path of names."""
        node: Node | None = self
        for name in path:
            node = next((each for each in node.children if each.name == name), None)
            if node is None:
                return None
        return node

    def said(self, *path: str) -> str:
        """The text of the element at the end of a path; "" where there is none."""
        found = self.child(*path)
        return "" if found is None else found.text.strip()


def plan_from_qif(file: Path, head: Head) -> Imported:
    """The plan in a QIF document.

    Raises:
        DeclarationError: with every mistake, by line.
    """
    root = _parsed(file)
    reading = _Reading(file, root)
    lines = list(reading.lines())
    problems = reading.problems
    if not lines and not problems:
        origin = Origin(file=str(file), line=root.line)
        problems.append(
            origin.problem(
                "Characteristics",
                expected="characteristic items",
                found="none",
                remedy="export the document with its characteristics",
            )
        )
    if problems:
        raise DeclarationError(problems)
    return imported(str(file), head, lines, reading.notes)


class _Reading:
    """Follows items to their nominals and definitions, and collects what is wrong with them."""

    def __init__(self, file: Path, root: Node) -> None:
        self.problems: list[Problem] = []
        self.notes: list[str] = []
        self._file = str(file)
        self._root = root
        self._mm = self._factor()
        self._aspects = {
            aspect: {each.attributes.get("id", ""): each for each in _under(root, aspect)}
            for aspect in ("CharacteristicDefinitions", "CharacteristicNominals")
        }
        self._datums = dict(_datums(root))

    def lines(self) -> Iterator[PlanLine]:
        """The characteristics in the order of the document; none for what has a problem of its own."""
        for item in _under(self._root, "CharacteristicItems"):
            line = self._line(item)
            if line is not None:
                yield line

    def _line(self, item: Node) -> PlanLine | None:
        origin = Origin(file=self._file, line=item.line)
        number = item.said("CharacteristicDesignator", "Designator") or item.said("Name")
        nominal = self._linked(item, "CharacteristicNominalId", "CharacteristicNominals")
        if nominal is None:
            return None
        definition = self._linked(
            nominal, "CharacteristicDefinitionId", "CharacteristicDefinitions"
        )
        if definition is None:
            return None
        kind = self._kind(origin, item, definition)
        if kind is None:
            return None
        if definition.child("NonTolerance") is not None:
            self.notes.append(
                f"line {item.line}: characteristic {number} has no tolerance and is left out"
            )
            return None
        target = self._number(nominal, kind, "TargetValue")
        return PlanLine(
            origin=origin,
            number=number,
            name=item.said("Name") or item.said("Description"),
            kind=kind,
            unit="deg" if kind == "angle" else "",
            nominal=target,
            limits=_around(target, tuple(self._limits(definition, kind))),
            datum=self._datums.get(definition.said("DatumReferenceFrameId"), ""),
            need="mandatory",
            required_u=None,
        )

    def _linked(self, node: Node, reference: str, aspect: str) -> Node | None:
        number = node.said(reference)
        found = self._aspects[aspect].get(number)
        if found is None:
            self._wrong(
                node,
                reference,
                expected=f"the id of one of the {aspect}",
                found=number,
                remedy="export the document whole",
            )
        return found

    def _kind(self, origin: Origin, item: Node, definition: Node) -> str | None:
        stem = definition.name.removesuffix("CharacteristicDefinition")
        kind = STEMS.get(stem)
        if stem == USER_DEFINED:
            what = definition.said("WhatToMeasure")
            kind = what if what in KINDS else None
        if kind is None:
            self.problems.append(
                origin.problem(
                    item.name,
                    expected="a kind of characteristic that a plan knows",
                    found=definition.said("WhatToMeasure") or stem,
                    remedy="take it out of the document, or write its line by hand",
                )
            )
        condition = definition.said("MaterialCondition")
        if condition not in ("", "NONE", "REGARDLESS"):
            self._wrong(
                definition,
                "MaterialCondition",
                expected="none: a bonus is not imported",
                found=condition,
                remedy="write the line by hand",
            )
        return kind

    def _limits(self, definition: Node, kind: str) -> Iterator[tuple[str, str]]:
        width = self._number(definition, kind, "ToleranceValue")
        if width is not None:
            yield "upper", f"{width:f}"
        tolerance = definition.child("Tolerance")
        if tolerance is None:
            return
        absolute = tolerance.said("DefinedAsLimit") in ("true", "1")
        for name, key in (("MinValue", "lower"), ("MaxValue", "upper")):
            bound = self._number(tolerance, kind, name)
            if bound is not None:
                yield (key if absolute else f"{key}_deviation"), f"{bound:f}"

    def _number(self, node: Node, kind: str, name: str) -> Decimal | None:
        text = node.said(name)
        if not text:
            return None
        try:
            number = Decimal(text)
        except InvalidOperation:
            number = Decimal("NaN")
        if not number.is_finite():
            self._wrong(node, name, expected="a number", found=text, remedy="correct it")
            return None
        return number if kind == "angle" else number * self._mm

    def _factor(self) -> Decimal:
        """Millimetres in the document's unit of length; a metre where it states none (the SI unit)."""
        units = self._root.child("FileUnits", "PrimaryUnits")
        angle = "" if units is None else units.said("AngularUnit", "UnitName")
        if units is not None and angle not in ("", "degree", "deg"):
            self._wrong(
                units,
                "AngularUnit",
                expected="degree",
                found=angle,
                remedy="export with angles in degrees",
            )
        length = None if units is None else units.child("LinearUnit")
        if length is None:
            return Decimal(MM_PER_M)
        text = length.said("UnitConversion", "Factor") or "1"
        try:
            return (Decimal(text) * MM_PER_M).normalize()
        except InvalidOperation:
            self._wrong(length, "Factor", expected="a number", found=text, remedy="correct it")
            return Decimal(1)

    def _wrong(self, node: Node, field: str, *, expected: str, found: str, remedy: str) -> None:
        origin = Origin(file=self._file, line=node.line)
        self.problems.append(origin.problem(field, expected=expected, found=found, remedy=remedy))


def _around(
    target: Decimal | None, limits: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """Two absolute limits as deviations: a size such as 62 g6 lies beside its nominal, which only deviations may."""
    said = dict(limits)
    if target is None or said.keys() != {"lower", "upper"}:
        return limits
    return tuple((f"{key}_deviation", f"{Decimal(text) - target:f}") for key, text in limits)


def _under(root: Node, aspect: str) -> list[Node]:
    found = root.child("Characteristics", aspect)
    return [] if found is None else found.children


def _datums(root: Node) -> Iterator[tuple[str, str]]:
    """The datums of each reference frame, by its id, as a plan writes them: A | B."""
    labels = {
        each.attributes.get("id", ""): each.said("DatumLabel")
        for each in _children(root.child("DatumDefinitions"))
    }
    for frame in _children(root.child("DatumReferenceFrames")):
        named = [
            labels.get(each.said("SimpleDatum", "DatumDefinitionId"), "")
            for each in _children(frame.child("Datums"))
        ]
        yield frame.attributes.get("id", ""), " | ".join(name for name in named if name)


def _children(node: Node | None) -> list[Node]:
    return [] if node is None else node.children


# --- reading XML with its lines ------------------------------------------------------------------------------------------------


def _parsed(file: Path) -> Node:
    """The root element, with the namespace of QIF taken off every name."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    stack = [Node("", {}, 1)]

    def begun(name: str, attributes: dict[str, str]) -> None:
        if len(stack) > DEPTH_MAX:
            raise _refusal(file, parser.CurrentLineNumber, "elements within elements without end")
        node = Node(name.removeprefix(f"{NAMESPACE} "), attributes, parser.CurrentLineNumber)
        stack[-1].children.append(node)
        stack.append(node)

    def ended(_name: str) -> None:
        stack.pop()

    def read(text: str) -> None:
        stack[-1].text += text

    def typed(*_: object) -> None:
        raise _refusal(file, parser.CurrentLineNumber, "a document type declaration")

    parser.StartElementHandler = begun
    parser.EndElementHandler = ended
    parser.CharacterDataHandler = read
    parser.StartDoctypeDeclHandler = typed
    try:
        parser.Parse(file.read_bytes(), True)  # noqa: FBT003 - the form of expat
    except expat.ExpatError as wrong:
        raise _refusal(file, wrong.lineno, expat.ErrorString(wrong.code)) from wrong
    root = stack[0].children[0]
    if root.name != "QIFDocument":
        raise _refusal(file, root.line, root.name)
    return root


def _refusal(file: Path, line: int, found: str) -> DeclarationError:
    origin = Origin(file=str(file), line=line)
    return DeclarationError(
        [
            origin.problem(
                "",
                expected=f"a QIF 3.0 document (QIFDocument, {NAMESPACE})",
                found=found,
                remedy="export the plan as QIF 3.0",
            )
        ]
    )
