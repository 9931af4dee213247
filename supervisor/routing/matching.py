"""Who goes where so that all together gain most: the assignment problem, by shortest augmenting paths.

Rules of this file:
- The Hungarian method with potentials (Kuhn, 1955; Tomizawa, 1971; from memory), in time rows x rows x columns. Ties go to what comes first.
- Deterministic on every machine: floats are only added and compared.
"""

NOBODY = -1
NOT_AT_ALL = -1e12
"""The gain of a pair that cannot be."""


def assigned(gains: list[list[float]]) -> list[int]:
    """By row the column that it gets, each column at most once, so that the sum of the gains is greatest. No more rows than columns.

    Every row gets a column: one that may be left without needs a column of its own that says so.
    """
    matching = _Matching(gains)
    for row in range(len(gains)):
        matching.add(row)
    found = [0] * len(gains)
    for column, row in enumerate(matching.holder[:-1]):
        if row != NOBODY:
            found[row] = column
    return found


class _Matching:
    """The rows added so far, each with a column. The last column is none: whoever is added stands there before it has one."""

    __slots__ = ("_columns", "_columns_up", "_gains", "_rows_up", "holder")

    def __init__(self, gains: list[list[float]]) -> None:
        self._gains = gains
        self._columns = len(gains[0]) if gains else 0
        self._rows_up = [0.0] * len(gains)
        self._columns_up = [0.0] * (self._columns + 1)
        self.holder = [NOBODY] * (self._columns + 1)

    def add(self, row: int) -> None:
        """One row more: along the path that costs least, to a column that is free; whoever is on the way moves on."""
        column = self._columns
        self.holder[column] = row
        least, before = [float("inf")] * self._columns, [column] * self._columns
        seen: list[int] = []
        while self.holder[column] != NOBODY:
            seen.append(column)
            unseen = [other for other in range(self._columns) if other not in seen]
            self._look_from(column, unseen, least, before)
            nearest = min(unseen, key=least.__getitem__)
            self._lift(seen, unseen, least, least[nearest])
            column = nearest
        while column != self._columns:
            self.holder[column] = self.holder[before[column]]
            column = before[column]
        self.holder[column] = NOBODY

    def _look_from(
        self, column: int, unseen: list[int], least: list[float], before: list[int]
    ) -> None:
        row = self.holder[column]
        gains, up, columns_up = self._gains[row], self._rows_up[row], self._columns_up
        for other in unseen:
            cost = -gains[other] - up - columns_up[other]
            if cost < least[other]:
                least[other], before[other] = cost, column

    def _lift(self, seen: list[int], unseen: list[int], least: list[float], by: float) -> None:
        for column in seen:
            self._rows_up[self.holder[column]] += by
            self._columns_up[column] -= by
        for column in unseen:
            least[column] -= by
