"""Uncertainties added in quadrature, never rounded down.

Rules of this file: the square root of the standard library's ``decimal`` rounds half to even whatever its context says (General Decimal
Arithmetic, square-root), so a root that came out too small is taken to the next number up.
"""

from decimal import ROUND_CEILING, Context, Decimal

from supervisor.cell.model import EXACT

DIGITS = 12
_UPWARD = Context(prec=DIGITS, rounding=ROUND_CEILING)


def in_quadrature(*uncertainties: Decimal) -> Decimal:
    """The root of the sum of their squares (JCGM 100:2008 5.1.2, uncorrelated), rounded up at the twelfth digit."""
    square = Decimal(0)
    for each in uncertainties:
        square = EXACT.add(square, EXACT.multiply(each, each))
    root = _UPWARD.sqrt(square)
    return root if EXACT.multiply(root, root) >= square else _UPWARD.next_plus(root)
