"""A bench run in which nothing happens any more: it ends and says what the cell waits for, unless a person watches."""

import pytest

from simulators.bench import run
from simulators.bench.run import RunFailed, Watch, standstill, wait_finished
from simulators.bench.scenarios import small_cell
from simulators.bench.staging import Stage

HOLD = {
    "subject": "scan-1",
    "code": "door-stuck",
    "title": "The door of a station did not reach its position in time",
    "seen": "door reads moving while opening",
}


def cell(pallets: int) -> dict[str, object]:
    return {
        "seq": 7,
        "counts": {"pallets": pallets},
        "stay": "no pallet has anything to do",
        "trouble": "",
    }


class Still(Watch):
    """A cell in which nothing happens before it was asked about ``questions`` times; then its part is done."""

    def __init__(self, questions: float) -> None:
        super().__init__("http://127.0.0.1:9")
        self._left = questions

    def get(self, path: str) -> object:
        if path.endswith("/holds"):
            return [HOLD]
        if path.endswith("/cell"):
            self._left -= 1
            return cell(0 if self._left < 0 else 1)
        return {"records": ["one"] if self._left < 0 else []}


@pytest.fixture
def stage(tmp_path):
    return Stage(
        folder=tmp_path,
        database="",
        cell=small_cell(),
        cell_folder=tmp_path,
        plan=tmp_path,
        floor=tmp_path,
        pallets=("one",),  # pyright: ignore[reportArgumentType] - only counted here
        ways={},
    )


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(run, "PATIENCE_S", 0.05)
    monkeypatch.setattr(run, "POLL_S", 0.02)


def test_a_run_that_nobody_watches_ends_and_says_what_a_person_is_asked(stage):
    with pytest.raises(RunFailed) as ended:
        wait_finished(Still(1_000_000), stage, lambda _cell, _done: None)
    lines = str(ended.value).splitlines()
    assert "0 of 1 parts are decided, pallets inside: 1" in lines[0]
    assert lines[-1].startswith("  a person is asked about scan-1: The door of a station")
    assert "{" not in str(ended.value)


def test_a_run_that_a_person_watches_waits_for_the_person(stage):
    """At the first lesson whoever took more than a minute and a half to mend the door had no cell any more."""
    wait_finished(Still(10), stage, lambda _cell, _done: None, watched_by="a person")


def test_a_supervisor_that_does_not_answer_ends_the_run_of_a_person_too(stage):
    with pytest.raises(RunFailed, match="nobody answers at"):
        wait_finished(
            Watch("http://127.0.0.1:9"), stage, lambda _cell, _done: None, watched_by="a person"
        )


def test_trouble_is_told():
    told = standstill({**cell(1), "trouble": "the journal takes nothing"}, [], "0 of 1")
    assert "  trouble: the journal takes nothing" in told.splitlines()
