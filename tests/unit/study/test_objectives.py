"""Objectives in a study: the changes that set them, and how many parts are late by hand-made shifts."""

import shutil
from io import StringIO
from itertools import permutations, product
from pathlib import Path

import pytest
from rich.console import Console

from simulators.bench.scenarios import small_cell
from simulators.bench.study.page import page
from simulators.bench.study.play import play
from simulators.bench.study.results import Finding, finding
from simulators.bench.study.run import Study, due_times, study
from simulators.bench.study.text import show
from simulators.bench.study.wishes import Wishes, WrongWish, variants
from supervisor.cell.model import Cell, Routing, Urgency
from supervisor.cell.report import check_cell
from supervisor.cell.value import replace
from supervisor.shift.fold import ShiftFigures, ShiftFold, Stay
from tests.unit.core.reference_cell import rule, with_master

MINUTE_MS = 60_000
AHEAD = "routing.look_ahead_steps=1000"
DUE = f"routing.objective=due_times due.cam-ring=40 weight.cam-ring=3 {AHEAD}"
RINGS = Urgency(part_type="cam-ring", due_ms=40 * MINUTE_MS, weight=3)
DUE_TIMES = Routing(objective="due_times", look_ahead_steps=1000, urgencies=(RINGS,))


def aimed(routing: Routing) -> Cell:
    return replace(small_cell(), routing=routing)


def routing_of(text: str, declared: Routing = Routing()) -> Routing:  # noqa: B008 - immutable
    return variants(Wishes(cell=aimed(declared), hours=1.0), [text])[1].wishes.cell.routing


# --- changes --------------------------------------------------------------------------------------------------------------------


def test_changes_of_one_text_set_an_objective_in_any_order():
    for order in permutations(DUE.split()):
        assert routing_of(" ".join(order)) == DUE_TIMES


def test_a_part_type_that_is_due_presses_with_weight_1_unless_told_otherwise():
    assert routing_of("due.cam-ring=1.5", replace(DUE_TIMES, urgencies=())).urgencies == (
        replace(RINGS, due_ms=90_000, weight=1),
    )
    assert routing_of("due.cam-ring=10", DUE_TIMES).urgencies == (
        replace(RINGS, due_ms=10 * MINUTE_MS),
    )


def test_from_due_times_to_throughput_nothing_presses_and_to_priority_classes_weights_stay():
    assert routing_of("routing.objective=throughput", DUE_TIMES) == Routing(look_ahead_steps=1000)
    assert routing_of("routing.objective=priority_classes", DUE_TIMES).urgencies == (
        replace(RINGS, due_ms=0),
    )


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("routing.objective=fastest", "expected one of throughput, due_times, priority_classes, found fastest"),
        ("routing.look_ahead_steps=100001", "expected a whole number from 0 to 100000, found 100001"),
        ("due.cam-ring=0", "expected a number above 0, found 0"),
        ("due.cam-ring=1441", "expected at most 1440, found 1441"),
        ("due.gear=40", "expected a part type that leaves the cell (cam-ring, port-plate, pump-body), found gear"),
        ("weight.cam-ring=1001", "expected a whole number from 1 to 1000, found 1001"),
        ("weight.cam-ring=3", "expected another objective than throughput, as cam-ring is to press; add routing.objective=due_times or"),
        (f"due.cam-ring=4 routing.objective=throughput {AHEAD}", "expected another objective than throughput"),
        (f"routing.objective=due_times {AHEAD}", "expected a part type that presses, as the objective is due_times; add due.NAME=MINUTES"),
        (f"routing.objective=due_times weight.cam-ring=3 {AHEAD}", "expected when cam-ring is due; add due.cam-ring=MINUTES"),
        (f"due.cam-ring=4 routing.objective=priority_classes {AHEAD}", "expected no due time, as the objective is priority_classes; leave out due.cam-ring"),
        ("routing.objective=due_times due.cam-ring=4", "expected look-ahead, as the simple rule knows no due_times; add routing.look_ahead_steps=1000"),
    ],
)  # fmt: skip
def test_an_objective_that_would_be_ignored_or_lacks_something_is_refused(text, complaint):
    with pytest.raises(WrongWish) as refused:
        routing_of(text)
    assert complaint in str(refused.value)
    assert str(refused.value).startswith(f"--what-if {text.split()[0].partition('=')[0]}")


def test_a_reference_part_is_never_due():
    cell = with_master(small_cell(), (), rule())
    masters = [part.part_type for part in cell.part_types if part.reference is not None]
    with pytest.raises(WrongWish, match="a part type that leaves the cell"):
        variants(Wishes(cell=cell, hours=1.0), [f"due.{masters[0]}=40"])


def test_a_study_refuses_the_objectives_that_a_cell_file_may_not_have(tmp_path):
    """All objectives, with and without what presses and look-ahead: the same are refused here and there."""
    folder = Path(shutil.copytree(Path(__file__).parents[1] / "cell/small-cell", tmp_path / "cell"))
    file = folder / "cell.yaml"
    sound = file.read_text()
    presses = {
        "": "",
        " weight.cam-ring=2": "{part_type: cam-ring, weight: 2}",
        " weight.cam-ring=2 due.cam-ring=10": "{part_type: cam-ring, weight: 2, due_s: 600}",
    }
    allowed = 0
    for objective, (asked, written), steps in product(
        ("throughput", "due_times", "priority_classes"), presses.items(), (0, 1000)
    ):
        routing = f"routing: {{objective: {objective}, look_ahead_steps: {steps}, urgencies: [{written}]}}"
        file.write_text(sound.replace("\nhandler:\n", f"\n{routing}\n\nhandler:\n"))
        text = f"routing.objective={objective}{asked} routing.look_ahead_steps={steps}"
        if check_cell(folder).ok:
            allowed += 1
            assert routing_of(text).objective == objective
        else:
            with pytest.raises(WrongWish):
                routing_of(text)
    assert allowed == 4  # throughput with either look-ahead, the two others with what they need


# --- what is late ---------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def short() -> ShiftFigures:
    return play(Wishes(cell=small_cell(), hours=0.05), 1)


def stay(part_type: str, came_min: float, out_min: float) -> Stay:
    return Stay(
        part_type=part_type,
        entered_ms=round(came_min * MINUTE_MS),
        out_ms=round(out_min * MINUTE_MS),
    )


def found(short: ShiftFigures, *shifts: tuple[Stay, ...], **due_min: int) -> Finding:
    """What shifts of one hour with these stays say."""
    figures = [replace(short, from_ms=0, to_ms=60 * MINUTE_MS, stays=stays) for stays in shifts]
    due_ms = {name: minutes * MINUTE_MS for name, minutes in due_min.items()}
    return finding("by hand", figures, None, due_ms)


def test_parts_are_late_by_hand(short):
    """Rings are due after 20 min. Of the five only the last came after 40; those in time and late are 2 of 4, by (5 + 25) / 2 min."""
    rings = (
        stay("ring", 1, 11),
        stay("ring", 1, 21),  # at the very moment
        stay("ring", 2, 27),  # 5 late
        stay("ring", 15, 0),  # still in the cell: 25 late by now
        stay("ring", 41, 44),  # early enough, but its like may be inside
    )
    plates = (stay("plate", 1, 5), stay("plate", 1, 9))
    told = found(short, (*rings, *plates), ring=20)
    plate, ring = told.part_types
    assert (ring.part_type, ring.due_min, ring.late_by_min) == ("ring", 20.0, 15.0)
    assert ring.late is not None
    assert ring.late.mean == 0.5
    assert told.late == ring.late
    assert ring.stayed_min is not None
    assert ring.stayed_min.mean == pytest.approx((10 + 20 + 25 + 3) / 4)
    assert ring.stayed_min_p95 == 25.0
    assert plate.stayed_min is not None
    assert (plate.stayed_min.mean, plate.stayed_min_p95) == (6.0, 8.0)
    assert (plate.due_min, plate.late, plate.late_by_min) == (None, None, None)


def test_where_none_is_left_in_the_cell_every_part_counts(short):
    told = found(short, (stay("ring", 1, 31), stay("ring", 55, 57)), ring=20)
    assert told.late is not None
    assert told.late.mean == 0.5


def test_the_share_late_is_a_mean_over_the_shifts_that_have_any(short):
    """1 of 2, 0 of 1, and a shift without rings. t(0.975; 1) = 12.706 (NIST/SEMATECH e-Handbook, table 1.3.6.7.2; from memory)."""
    one = stay("ring", 1, 31), stay("ring", 1, 2)
    late = found(short, one, (one[1],), (stay("plate", 1, 50),), ring=20).late
    assert late is not None
    assert late.mean == 0.25
    assert late.half_width == pytest.approx(12.706 * 0.25, rel=2e-4)


def test_due_times_of_one_variant_are_those_of_all_that_have_none():
    def minutes(declared: Routing, *what_if: str) -> list[dict[str, float]]:
        asked = variants(Wishes(cell=aimed(declared), hours=1.0), list(what_if))
        return [{name: ms / MINUTE_MS for name, ms in each.items()} for each in due_times(asked)]

    assert minutes(DUE_TIMES, "routing.objective=throughput") == [{"cam-ring": 40.0}] * 2
    assert minutes(DUE_TIMES, "due.cam-ring=30 due.port-plate=50") == [
        {"cam-ring": 40.0, "port-plate": 50.0},
        {"cam-ring": 30.0, "port-plate": 50.0},
    ]
    assert minutes(Routing(), DUE, DUE.replace("=40", "=50"), "handler.jaws=1") == [
        {"cam-ring": 40.0},
        {"cam-ring": 40.0},
        {"cam-ring": 50.0},
        {"cam-ring": 40.0},
    ]


def test_a_part_that_was_taken_out_before_it_was_sorted_did_not_stay():
    class Seen(ShiftFold):
        """Remembers the last state."""

        def take(self, state, at_ms):
            self.last = state, at_ms
            super().take(state, at_ms)

    seen = Seen(small_cell())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("simulators.bench.study.play.ShiftFold", lambda _cell: seen)
        figures = play(Wishes(cell=small_cell(), hours=0.3), 1)
    assert len(figures.stays) == figures.parts_in
    assert sum(stay.out_ms > 0 for stay in figures.stays) == figures.parts_out > 0
    state, at_ms = seen.last
    seen.take(replace(state, pallets={}), at_ms + 1)
    assert len(seen.figures().stays) == len(seen.figures().stayed_ms) == figures.parts_out


# --- how it is shown ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def compared() -> Study:
    asked = Wishes(cell=aimed(Routing(look_ahead_steps=200)), hours=0.75)
    due = "routing.objective=due_times due.port-plate=15 weight.port-plate=20"
    return study(variants(asked, [due]), (1, 2), 1, lambda _done, _all: None)


def text_of(shown: Study) -> str:
    file = StringIO()
    show(Console(file=file, width=80, highlight=False), shown)
    return file.getvalue()


def test_due_times_keep_more_plates_in_time_than_throughput_does(compared):
    throughput, due = compared.findings
    assert throughput.late is not None
    assert due.late is not None
    assert due.late.mean < throughput.late.mean
    assert {each.part_type: each.due_min for each in throughput.part_types} == {
        "cam-ring": None,
        "port-plate": 15.0,
        "pump-body": None,
    }


def test_text_json_and_page_say_who_was_late(compared):
    text, shown = text_of(compared), page(compared)
    plates = compared.findings[0].part_types[1]
    assert plates.late is not None
    late = plates.late.text(0, factor=100)
    (row, *_) = (line for line in text.splitlines() if "port-plate " in line)
    assert late in row
    assert f"{plates.late_by_min:.1f}" in row
    assert f"<td>{late}</td>" in shown
    assert shown.count("late in %") == 2
    told = compared.as_json()["variants"][0]
    assert told["part_types"]["port-plate"]["late"]["mean"] == plates.late.mean
    assert told["late"] == told["part_types"]["port-plate"]["late"]


def test_at_80_columns_nothing_is_cut(compared):
    text = text_of(compared)
    assert "…" not in text
    assert all(len(line) <= 80 for line in text.splitlines() if line[:1] in "┃│")


def test_without_due_times_nobody_is_late_and_one_part_type_needs_no_table():
    cell = small_cell()
    rings = {"cam-ring": 1.0, "port-plate": 0.0, "pump-body": 0.0}
    for mix, told in ((rings, False), ({}, True)):
        shown = study(
            variants(Wishes(cell=cell, hours=0.2, mix=mix), []), (1,), 1, lambda _done, _all: None
        )
        text = text_of(shown)
        assert ("How long a part is in the cell" in text) is told
        assert ("How long a part is in the cell" in page(shown)) is told
        assert "Late is" not in text
        assert "late in %" not in page(shown)
