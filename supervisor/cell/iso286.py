"""Limits from ISO 286 tolerance codes, such as ``25 H7`` and ``25 g6``.

Rules of this file:
- Tables, not formulas: the standard rounds its formulas in ways that no rule reproduces; 20 of 91 cells of the standard
  tolerances come out different with the obvious rounding.
- A size belongs to the band "over a, up to and including b": 30 is in the band up to 30, 30.001 in the next.
- Whole micrometres in, exact decimals out. What the tables do not hold is refused; nothing is interpolated.

Sources. IT5 to IT11 and the shafts c to p, s, u: the tables of the package pressfit 0.1.0 (MIT), compared with a second
source (isofits 1.0, MIT, 3 to 400 mm; its six wrong cells are named in tests/unit/cell/test_iso286.py). r and t: isofits for r up
to 400 mm, and beyond that several public tables that agree. IT4 and the differences between grades (the delta of the standard) were
recalled and then compared with the K, M, N, P and R holes of isofits. Corrected cells: ISO 286-2:1988/Cor.1:2006.
"""

import re
from bisect import bisect_left
from decimal import Decimal

from supervisor.cell.value import value

SIZE_MM_MAX = 500
GRADE_MIN = 5
GRADE_MAX = 11

# Upper ends of the bands of the standard tolerances, in mm.
_BANDS = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)

# Standard tolerances in micrometres by grade, one for each band. IT4 serves only the difference IT5 - IT4.
_IT = {
    4: (3, 4, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20),
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400),
}

# Fundamental deviations of shafts in micrometres: the upper one (es) for c to h, the lower one (ei) for k to u.
# Most letters have one value for each band above; the others have finer bands of their own.
_SHAFT = {
    "d": (-20, -30, -40, -50, -65, -80, -100, -120, -145, -170, -190, -210, -230),
    "e": (-14, -20, -25, -32, -40, -50, -60, -72, -85, -100, -110, -125, -135),
    "f": (-6, -10, -13, -16, -20, -25, -30, -36, -43, -50, -56, -62, -68),
    "g": (-2, -4, -5, -6, -7, -9, -10, -12, -14, -15, -17, -18, -20),
    "h": (0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0),
    "k": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5),
    "m": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23),
    "n": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40),
    "p": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68),
}
# fmt: off
_FINE_BANDS = (
    3, 6, 10, 14, 18, 24, 30, 40, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250, 280, 315, 355, 400, 450, 500,
)
_SHAFT_FINE = {
    "c": (-60, -70, -80, -95, -95, -110, -110, -120, -130, -140, -150, -170, -180, -200, -210, -230, -240, -260, -280,
          -300, -330, -360, -400, -440, -480),
    "r": (10, 15, 19, 23, 23, 28, 28, 34, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132),
    "s": (14, 19, 23, 28, 28, 35, 35, 43, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208, 232,
          252),
    "t": (None, None, None, None, None, None, 41, 48, 54, 66, 75, 91, 104, 122, 134, 146, 166, 180, 196, 218, 240, 268,
          294, 330, 360),
    "u": (18, 23, 28, 33, 33, 41, 48, 60, 70, 87, 102, 124, 144, 170, 190, 210, 236, 258, 284, 315, 350, 390, 435,
          490, 540),
}
# fmt: on

LETTERS = (*sorted((*_SHAFT, *_SHAFT_FINE, "js")),)

# Grades up to which a hole's deviation carries the difference to the next finer grade: K, M, N to IT8, P and on to IT7.
_DELTA_GRADE_MAX = {"k": 8, "m": 8, "n": 8, "p": 7, "r": 7, "s": 7, "t": 7, "u": 7}

_K_GRADE_MAX = 7  # a shaft k of a coarser grade has the deviation 0
_SMALL_MM_MAX = 3  # up to here holes mirror shafts without the difference between grades

_CODE = re.compile(r"[Øø⌀]?\s*(\d+(?:\.\d+)?)\s*([A-Za-z]{1,2})\s*(\d{1,2})")


@value
class SizeLimits:
    """What a code means: the nominal size and both limits, in mm."""

    nominal: Decimal
    lower: Decimal
    upper: Decimal


class CodeNotSupported(ValueError):  # noqa: N818 - a refusal, not an error of ours
    """A text that is no tolerance code, or one that the tables do not hold: what was expected, and what to write instead."""

    def __init__(self, expected: str, remedy: str) -> None:
        super().__init__(f"expected {expected}; {remedy}")
        self.expected = expected
        self.remedy = remedy


def size_limits(code: str) -> SizeLimits:
    """The limits that a code such as ``25 H7`` (hole, capital letter) or ``25 g6`` (shaft) stands for.

    Raises:
        CodeNotSupported: the text is no such code, or the tables do not hold it.
    """
    nominal, letters, grade = _parsed(code)
    lower_um, upper_um = _deviations(nominal, letters, grade)
    return SizeLimits(nominal=nominal, lower=nominal + _mm(lower_um), upper=nominal + _mm(upper_um))


def _mm(deviation_um: Decimal) -> Decimal:
    return deviation_um.scaleb(-3)


def _parsed(code: str) -> tuple[Decimal, str, int]:
    match = _CODE.fullmatch(code.strip())
    if not match:
        raise CodeNotSupported(
            "one ISO 286 code",
            "write size, letter and grade, such as 25 H7 for a hole or 25 g6 for a shaft",
        )
    size, letters, grade = match.groups()
    nominal = Decimal(size)
    if letters.lower() not in LETTERS or letters not in {letters.lower(), letters.upper()}:
        raise _no_table(f"one of the letters {', '.join(LETTERS)}, or the same in capitals")
    if not GRADE_MIN <= int(grade) <= GRADE_MAX:
        raise _no_table(f"a grade from {GRADE_MIN} to {GRADE_MAX}")
    if not 0 < nominal <= SIZE_MM_MAX:
        raise _no_table(f"a size above 0 and up to {SIZE_MM_MAX} mm")
    return nominal, letters, int(grade)


def _no_table(expected: str) -> CodeNotSupported:
    return CodeNotSupported(expected, "write the limits out: `limits: {lower: ..., upper: ...}`")


def _deviations(nominal: Decimal, letters: str, grade: int) -> tuple[Decimal, Decimal]:
    """The lower and upper limit deviation in micrometres."""
    width = Decimal(_tolerance(nominal, grade))
    if letters.lower() == "js":
        return -width / 2, width / 2
    if letters.islower():
        fundamental = Decimal(_shaft_deviation(nominal, letters, grade))
        below = letters < "js"
        return (fundamental - width, fundamental) if below else (fundamental, fundamental + width)
    fundamental = Decimal(_hole_deviation(nominal, letters, grade))
    above = letters < "JS"
    return (fundamental, fundamental + width) if above else (fundamental - width, fundamental)


def _tolerance(nominal: Decimal, grade: int) -> int:
    return _IT[grade][bisect_left(_BANDS, nominal)]


def _shaft_deviation(nominal: Decimal, letter: str, grade: int) -> int:
    if letter == "k" and grade > _K_GRADE_MAX:
        return 0
    return _tabled(nominal, letter)


def _tabled(nominal: Decimal, letter: str) -> int:
    if letter in _SHAFT:
        return _SHAFT[letter][bisect_left(_BANDS, nominal)]
    deviation = _SHAFT_FINE[letter][bisect_left(_FINE_BANDS, nominal)]
    if deviation is None:
        raise _no_table(f"a size above 24 mm for the letter {letter}")
    return deviation


def _hole_deviation(nominal: Decimal, letters: str, grade: int) -> int:
    """The lower deviation (EI) for C to H, the upper one (ES) for K to U."""
    letter = letters.lower()
    mirrored = -_tabled(nominal, letter)
    if letter not in _DELTA_GRADE_MAX or nominal <= _SMALL_MM_MAX:
        return mirrored
    if grade <= _DELTA_GRADE_MAX[letter]:
        return mirrored + _delta(nominal, letters, grade)
    if letter == "k":
        raise _no_table("a grade up to 8 for a hole K")
    return 0 if letter == "n" else mirrored


def _delta(nominal: Decimal, letters: str, grade: int) -> int:
    """The difference to the next finer grade. The standard makes one exception: M6 over 250 up to 315 has ES = -9."""
    difference = _tolerance(nominal, grade) - _tolerance(nominal, grade - 1)
    is_exception = (letters, grade) == ("M", 6) and 250 < nominal <= 315  # noqa: PLR2004
    return difference + 2 if is_exception else difference
