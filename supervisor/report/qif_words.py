"""The words of QIF 3.0 (ISO 23952) for what a record says.

Rules of this file: tables only, so that writer and reader say the same. Element names and enumerations were read in the public
schema of QIF 3.0.0 (repository qif-community, folder bindings/CPP-Kramer/schema, Characteristics.xsd and IntermediatesPMI.xsd
at 15273307).
"""

from typing import Literal

from supervisor.cell.value import value
from supervisor.verdict.record import Verdict

NAMESPACE = "http://qifstandards.org/xsd/qif3"
VERSION = "3.0.0"

INSPECTION_STATUS: dict[Verdict, str] = {
    "conforming": "PASS",
    "nonconforming": "FAIL",
    "undecided": "UNKNOWN",
    "not measured": "NOT_MEASURED",
    "station error": "SYSERROR",
}
"""A part's verdict as InspectionStatusEnum."""

CHARACTERISTIC_STATUS: dict[Verdict, str] = {
    "conforming": "PASS",
    "nonconforming": "FAIL",
    "undecided": "INDETERMINATE",
    "not measured": "NOT_ANALYZED",
    "station error": "SYSERROR",
}
"""A characteristic's verdict as CharacteristicStatusEnum."""

MONITORED = "NOT_ANALYZED"
"""The status of a value that was taken beside the deciding one: nothing was decided from it."""


@value
class Requirement:
    """How QIF writes a characteristic: the stem of its element names, and how it is limited.

    "limits": an interval with a target value; "zone": one tolerance value; "words": an interval, and the kind in words.
    """

    stem: str
    limited: Literal["limits", "zone", "words"]


def _limits(stem: str) -> Requirement:
    return Requirement(stem=stem, limited="limits")


def _zone(stem: str) -> Requirement:
    return Requirement(stem=stem, limited="zone")


REQUIREMENTS: dict[str, Requirement] = {
    "diameter": _limits("Diameter"),
    "radius": _limits("Radius"),
    "width": _limits("Width"),
    "height": _limits("Height"),
    "depth": _limits("Depth"),
    "thickness": _limits("Thickness"),
    "angle": _limits("Angle"),
    "flatness": _zone("Flatness"),
    "roundness": _zone("Circularity"),
    "cylindricity": _zone("Cylindricity"),
    "profile of a surface": _zone("SurfaceProfile"),
    "symmetry": _zone("Symmetry"),
    "circular run-out": _zone("CircularRunout"),
    "total run-out": _zone("TotalRunout"),
}
"""By kind of characteristic (flatness from memory). The others need in QIF what a record does not hold: a direction, a zone's shape."""

USER_DEFINED = Requirement(stem="UserDefinedLinear", limited="words")
