"""The kinds of characteristics, and what follows from each.

Rules of this file:
- The words are those of ISO 14405-1 (sizes) and ISO 1101 (geometry), as on the drawing.
- A geometrical characteristic is the width of a zone or a run-out: it cannot be negative, its nominal is 0, it has one limit.
- Form never has a datum; orientation and run-out always do; profile and location may (ISO 1101, from memory).
"""

from typing import Literal

from supervisor.cell.model import NaturalLimit
from supervisor.cell.value import value

Quantity = Literal["length", "angle"]
DatumRule = Literal["free", "never", "always"]
Unit = Literal["mm", "um", "deg"]
ServiceLevel = Literal["heeded", "ignored"]

# UCUM codes of the units that a quantity may be given in.
UNITS: dict[Quantity, tuple[Unit, ...]] = {"length": ("mm", "um"), "angle": ("deg",)}

KindName = Literal[
    "diameter",
    "radius",
    "distance",
    "width",
    "height",
    "depth",
    "thickness",
    "chamfer",
    "angle",
    "straightness",
    "flatness",
    "roundness",
    "cylindricity",
    "profile of a line",
    "profile of a surface",
    "parallelism",
    "perpendicularity",
    "angularity",
    "position",
    "coaxiality",
    "symmetry",
    "circular run-out",
    "total run-out",
    "roughness",
]


@value
class Kind:
    """What follows from the kind of a characteristic. ``fit`` says whether an ISO 286 code can limit it."""

    quantity: Quantity
    natural_limit: NaturalLimit
    datum: DatumRule
    fit: Literal["possible", "impossible"]


_SIZE = Kind(quantity="length", natural_limit="none", datum="free", fit="possible")
_ANGLE = Kind(quantity="angle", natural_limit="none", datum="free", fit="impossible")
_FORM = Kind(quantity="length", natural_limit="zero", datum="never", fit="impossible")
_ORIENTATION = Kind(quantity="length", natural_limit="zero", datum="always", fit="impossible")
_FREE_ZONE = Kind(quantity="length", natural_limit="zero", datum="free", fit="impossible")

KINDS: dict[KindName, Kind] = {
    "diameter": _SIZE,
    "radius": _SIZE,
    "distance": _SIZE,
    "width": _SIZE,
    "height": _SIZE,
    "depth": _SIZE,
    "thickness": _SIZE,
    "chamfer": _SIZE,
    "angle": _ANGLE,
    "straightness": _FORM,
    "flatness": _FORM,
    "roundness": _FORM,
    "cylindricity": _FORM,
    "profile of a line": _FREE_ZONE,
    "profile of a surface": _FREE_ZONE,
    "parallelism": _ORIENTATION,
    "perpendicularity": _ORIENTATION,
    "angularity": _ORIENTATION,
    "position": _FREE_ZONE,
    "coaxiality": _FREE_ZONE,
    "symmetry": _FREE_ZONE,
    "circular run-out": _ORIENTATION,
    "total run-out": _ORIENTATION,
    "roughness": _FORM,
}
