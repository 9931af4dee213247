"""Small systems of linear equations, up to a few hundred unknowns.

Rules of this file:
- Elimination with the largest pivot of the column; a system without one answer is refused, never answered with huge numbers.
"""

import math
from collections.abc import Sequence

from supervisor.cell.value import value

Matrix = Sequence[Sequence[float]]

_PIVOT_MIN = 1e-13
"""Of the largest element of the matrix; below it the rows are taken for dependent."""


class SingularError(ArithmeticError):
    """The equations do not determine their unknowns."""


@value
class Fit:
    """A weighted least-squares solution: ``x``, its covariance, and the residuals ``data - design @ x``."""

    x: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residuals: tuple[float, ...]


def solve(matrix: Matrix, right: Sequence[float]) -> list[float]:
    """The x with matrix @ x = right; ``matrix`` is square.

    Raises:
        SingularError: the rows depend on each other.
    """
    size = len(matrix)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    smallest = _PIVOT_MIN * max((abs(cell) for row in matrix for cell in row), default=0.0)
    for at in range(size):
        best = max(range(at, size), key=lambda row: abs(rows[row][at]))
        rows[at], rows[best] = rows[best], rows[at]
        pivot_row = rows[at]
        pivot = pivot_row[at]
        if abs(pivot) <= smallest:
            raise SingularError(f"equation {at + 1} of {size} depends on the others")
        for below in rows[at + 1 :]:
            share = below[at] / pivot
            if share:
                below[at:] = [
                    b - share * p for b, p in zip(below[at:], pivot_row[at:], strict=True)
                ]
    x = [0.0] * size
    for at in reversed(range(size)):
        known = math.fsum(rows[at][k] * x[k] for k in range(at + 1, size))
        x[at] = (rows[at][size] - known) / rows[at][at]
    return x


def least_squares(design: Matrix, data: Sequence[float], sd: Sequence[float]) -> Fit:
    """The x that makes the sum of ((data - design @ x) / sd) squared least.

    Shapes: ``design`` is values x unknowns; ``data`` and ``sd`` have one entry per value, each ``sd`` above zero.

    Raises:
        SingularError: the values do not tell the unknowns apart.
    """
    unknowns = range(len(design[0]))
    weights = [1.0 / s**2 for s in sd]
    normal = [
        [_dot(weights, [row[i] * row[j] for row in design]) for j in unknowns] for i in unknowns
    ]
    right = [
        _dot(weights, [row[i] * y for row, y in zip(design, data, strict=True)]) for i in unknowns
    ]
    x = solve(normal, right)
    columns = [solve(normal, [float(i == j) for j in unknowns]) for i in unknowns]
    return Fit(
        x=tuple(x),
        covariance=tuple(tuple(columns[j][i] for j in unknowns) for i in unknowns),
        residuals=tuple(y - _dot(row, x) for row, y in zip(design, data, strict=True)),
    )


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return math.fsum(x * y for x, y in zip(a, b, strict=True))
