"""Uncertainties in quadrature are never smaller than they are.

The expected digits are those of the roots of 2 and 5 (OEIS A002193, A002163; from memory and computed by integer arithmetic below).
"""

from decimal import Decimal
from math import isqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.cell.model import EXACT
from supervisor.cell.quadrature import DIGITS, in_quadrature


@pytest.mark.parametrize(
    ("one", "other", "root"),
    [
        ("0.001", "0.001", "0.00141421356238"),  # 1.41421356237 309...: half even would drop it
        ("1", "2", "2.23606797750"),  # 2.23606797749 978...: half even rounds up by itself
        ("0.003", "0.004", "0.005"),  # a root that ends is exact
        ("0.0015", "0", "0.0015"),
    ],
)
def test_a_root_is_rounded_up_at_the_twelfth_digit(one, other, root):
    assert in_quadrature(Decimal(one), Decimal(other)) == Decimal(root)


@given(st.lists(st.integers(1, 10**12), min_size=1, max_size=4))
def test_it_is_the_smallest_number_of_twelve_digits_that_is_not_below_the_root(whole):
    """Judged by the integer square root, which knows nothing of decimals."""
    found = in_quadrature(*(Decimal(each).scaleb(-9) for each in whole))
    square = sum(each * each for each in whole) * 10**30  # in units of 1e-24 of the result
    floor = isqrt(square)
    least = floor if floor * floor == square else floor + 1
    scaled = int(EXACT.multiply(found, Decimal(10) ** 24))
    assert scaled >= least
    step = 10 ** (len(str(scaled)) - DIGITS)
    assert scaled - least < step
