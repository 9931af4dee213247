"""Names are listed as people count."""

from random import Random

import pytest

from supervisor.cell.reading_order import reading_order


@pytest.mark.parametrize(
    "listed",
    [
        ["R2", "R10", "R10a", "R11"],
        ["1", "2", "10", "11.1", "11.2", "11.10"],
        ["1.9", "1.10", "2", "10", "A2", "A10"],
        ["grai:9521234.12345.2", "grai:9521234.12345.12"],
        ["", "4", "007", "7", "9" * 5_000, "A", "a", "b"],
        ["touch", "touch-1", "touch-02", "touch-2", "touch-10"],
    ],
)
def test_digits_count_as_the_number_that_they_write(listed):
    mixed = [*listed]
    Random(7).shuffle(mixed)
    assert sorted(mixed, key=reading_order) == listed


def test_two_names_are_never_equal():
    assert reading_order("R02") != reading_order("R2")
    assert len({reading_order(each) for each in ("R2", "r2", "R02", "r02")}) == 4
