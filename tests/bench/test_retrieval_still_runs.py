"""The measurement of questions about records runs, and its rows are like those that the store writes itself."""

import pytest
from sqlalchemy import select

from supervisor.store import open_store
from supervisor.store.records import keep_record
from supervisor.store.schema import FINDING, MONITOR
from tests.bench.retrieval import fill, measure, record_of

PARTS = 120


@pytest.mark.integration
def test_every_question_is_answered(tmp_path):
    lines = list(measure(str(tmp_path / "small.db"), results=PARTS * 25, rounds=2))
    rows = {line.split("|")[1].strip(): int(line.split("|")[5]) for line in lines[3:]}
    assert rows["part by serial number"] == 1
    assert rows["batch of 50"] in (20, 50)
    assert rows["newest 100 of all"] == 100
    assert rows["newest 100 nonconforming"] == 2
    assert 10 <= rows["newest 100 suspect, a check failed just now"] <= 17  # one part in three
    assert 20 <= rows["newest 100 suspect, a check failed long ago"] <= 34, "both checks"


@pytest.mark.integration
def test_generated_rows_are_those_that_the_store_makes_of_the_same_record(tmp_path):
    def of_both_tables(store):
        with store.records.reader.asking() as connection:
            return [
                sorted(
                    map(tuple, connection.execute(select(each).order_by(each.c.record)).all()),
                    key=repr,
                )
                for each in (FINDING, MONITOR)
            ]

    with open_store(str(tmp_path / "a.db"), durability="process-safe") as store:
        fill(store, 3)
        generated = of_both_tables(store)
    with open_store(str(tmp_path / "b.db"), durability="process-safe") as store:
        for number in range(3):
            store._writer.run(lambda c, n=number: keep_record(c, n + 1, record_of(n)))
        assert of_both_tables(store) == generated
