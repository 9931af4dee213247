"""Defects put into the core on purpose: the campaign notices each within the stated number of seeds.

Every mutant replaces one rule of the production core; nothing else is changed. Each is looked for from seed 1 on.
"""

import pytest

from simulators.bench import campaign
from simulators.bench.campaign import about_failure, command_of
from simulators.bench.random_cells import random_cell
from simulators.bench.shift import Case, run_case
from simulators.bench.shrink import Shrinking
from supervisor.cell.value import replace
from supervisor.core import (
    calibration,
    decide,
    interlocks,
    moves,
    pallets,
    reference_parts,
    runs,
    soaking,
    stations,
    trust,
)
from supervisor.core.draft import Draft
from supervisor.core.interlocks import Condition
from supervisor.routing.tables import RoutingTables
from supervisor.verdict import selection, weighing

pytestmark = [pytest.mark.property, pytest.mark.timeout(240)]


def without_proof(monkeypatch):
    """A result is taken for the run that is under way, whatever it says."""

    def doubt(state, _event):
        under_way = state.run is not None and state.run.stage in runs.UNDER_WAY
        return "" if under_way else "no run of ours is under way at the station"

    monkeypatch.setattr(runs, "_doubt", doubt)


def source_time_ignored(monkeypatch):
    """An image that newer ones have overtaken counts."""
    monkeypatch.setattr(stations, "_overtaken", lambda _before, _event: False)


def order_number_ignored(monkeypatch):
    """What the handler says of any order is taken for what it says of the one that is out."""
    look = moves._look_at_order

    def any_order(draft):
        waiting = draft.outstanding.get("handler")
        if waiting is not None:
            draft.handler = replace(draft.handler, order=waiting.goal.order)
        look(draft)

    monkeypatch.setattr(moves, "_look_at_order", any_order)


def run_made_anew_on_restart(monkeypatch):
    """A supervisor that starts forgets its runs and begins them again."""
    start = decide._on_supervisor_started

    def forgetful(draft, event):
        start(draft, event)
        for name in sorted(draft.stations):
            draft.change_station(name, run=None)
            draft.end_goal(f"run of {name}")
            draft.end_goal(f"program of {name}")

    monkeypatch.setattr(decide, "_on_supervisor_started", forgetful)


def holds_ignored(monkeypatch):
    """Routing and interlocks take no notice of holds."""
    monkeypatch.setattr(moves, "held", lambda _draft, _named: None)
    monkeypatch.setattr(pallets, "held", lambda _draft, _named: None)
    monkeypatch.setattr(stations, "held", lambda _draft, _named: None)
    for row, conditions in interlocks.INTERLOCKS.items():
        mutant = tuple(_always(c) if "held" in c.name else c for c in conditions)
        monkeypatch.setitem(interlocks.INTERLOCKS, row, mutant)


def _always(condition):
    return Condition(name=condition.name, text=condition.text, holds=lambda _draft, _goal: True)


def lost_orders_not_repeated(monkeypatch):
    """What was given before a restart is taken for delivered."""
    start, mark = decide._on_supervisor_started, Draft.mark_given

    def trusting(draft, event):
        monkeypatch.setattr(Draft, "mark_given", lambda *_: None)
        start(draft, event)
        monkeypatch.setattr(Draft, "mark_given", mark)

    monkeypatch.setattr(decide, "_on_supervisor_started", trusting)


def arm_not_awaited(monkeypatch):
    """A door closes whether or not the handler is clear."""
    row = interlocks.INTERLOCKS["door closed"]
    mutant = tuple(_always(c) if c.name == "handler clear" else c for c in row)
    monkeypatch.setitem(interlocks.INTERLOCKS, "door closed", mutant)


def tags_not_proven(monkeypatch):
    """A pallet that was out of sight is taken for the one that stood there."""
    monkeypatch.setattr(pallets, "have_proven", lambda _draft, _pallet: None)


def tries_not_counted(monkeypatch):
    """A run without a result is repeated for ever."""
    monkeypatch.setattr(pallets, "count_try", lambda _draft, _pallet, _program: None)


def quality_ignored(monkeypatch):
    """A value of bad or uncertain quality decides as a good one does."""
    flaw = weighing.flaw

    def trusting(ability, measured):
        return flaw(ability, replace(measured, quality="good"))

    monkeypatch.setattr(weighing, "flaw", trusting)


def suspension_ignored(monkeypatch):
    """What a station gives while a failed check suspends it decides."""
    monkeypatch.setattr(trust, "doubts", lambda _draft, _station, _part_type: ())
    monkeypatch.setattr(trust, "barred", lambda _draft, _part_type: ())


def suspicion_not_looking_back(monkeypatch):
    """What was measured since the last good check is believed."""
    fail = reference_parts._fail

    def forgiving(draft, declared, result, missed, _good_ms):
        fail(draft, declared, result, missed, draft.at_ms - 1)

    monkeypatch.setattr(reference_parts, "_fail", forgiving)


def parts_in_the_cell_not_doubted(monkeypatch):
    """What a suspicion covers goes on deciding in parts that are still in the cell."""
    monkeypatch.setattr(reference_parts, "_doubt_part", lambda _draft, _name, _suspicion: None)


def failed_at_the_first_miss(monkeypatch):
    """One run is enough, whatever the declaration says."""
    monkeypatch.setattr(
        reference_parts, "_failed", lambda _declared, missed, _misses, _runs: list(missed)
    )


def calibration_ignored(monkeypatch):
    """A station measures on when its calibration has ended."""
    monkeypatch.setattr(calibration, "over", lambda _draft, _station: "")


TRUST_MUTANTS = {
    suspension_ignored: 1,
    suspicion_not_looking_back: 1,
    parts_in_the_cell_not_doubted: 236,  # the first that shows it
    failed_at_the_first_miss: 1,
    calibration_ignored: 1,
}
"""The same in cells with reference parts where nothing befalls but that stations read wrong; by defect the first seed that is tried."""
CELLS_TRIED = 20


def order_of_characteristics_ignored(monkeypatch):
    """Routing takes any order, whatever a plan wants measured before."""
    begin = RoutingTables.__init__

    def forgetful(tables, cell):
        begin(tables, cell)
        tables.sooner = dict.fromkeys(tables.sooner, ())

    monkeypatch.setattr(RoutingTables, "__init__", forgetful)


def values_that_decide_nothing_ignored(monkeypatch):
    """Routing lets a program run before what its values spoil, as long as those decide nothing."""
    offers = RoutingTables._offers

    def blind(tables, cell, part):
        return tuple(replace(offer, measures=0) for offer in offers(tables, cell, part))

    monkeypatch.setattr(RoutingTables, "_offers", blind)


def soaking_ignored(monkeypatch):
    """A part is measured as soon as a station is free."""
    monkeypatch.setattr(soaking, "ready_ms", lambda _part_type, _pallet: 0)


MUTANTS = {
    without_proof: 10,
    source_time_ignored: 20,
    order_number_ignored: 80,
    run_made_anew_on_restart: 10,
    holds_ignored: 10,
    arm_not_awaited: 10,
    tags_not_proven: 60,
    tries_not_counted: 10,
    quality_ignored: 40,
    order_of_characteristics_ignored: 20,
}
"""Within how many seeds each is caught; a few times what it took when it was written."""


def first_failure(seeds_max):
    for seed in range(1, seeds_max + 1):
        outcome = run_case(Case(seed=seed))
        if outcome.failures:
            return outcome
    return None


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.__name__)
def test_a_seeded_defect_is_caught(monkeypatch, mutant):
    mutant(monkeypatch)
    assert first_failure(MUTANTS[mutant]) is not None


@pytest.mark.parametrize("mutant", TRUST_MUTANTS, ids=lambda mutant: mutant.__name__)
def test_a_defect_in_what_stations_are_trusted_with_is_caught(monkeypatch, mutant):
    mutant(monkeypatch)
    first = TRUST_MUTANTS[mutant]
    seeds = [seed for seed in range(first, 400) if _has_reference(seed)][:CELLS_TRIED]
    reads_wrong = {"reads-wrong": None}
    found = (run_case(Case(seed=seed, faults=reads_wrong)) for seed in seeds)
    assert any(outcome.failures for outcome in found)


def test_soaking_ignored_is_caught_where_nothing_befalls(monkeypatch):
    soaking_ignored(monkeypatch)
    soak = (seed for seed in range(1, 400) if any(p.soak for p in random_cell(seed).part_types))
    assert any(run_case(Case(seed=seed, faults={"reads-wrong": None})).failures for seed in soak)


def test_a_value_that_decides_nothing_and_comes_too_soon_is_caught(monkeypatch):
    values_that_decide_nothing_ignored(monkeypatch)
    seeds = (121, 287)  # of the first 300 those that show it
    found = (run_case(Case(seed=seed, faults={"reads-wrong": None})).failures for seed in seeds)
    assert any("measures 1 before 3" in each.text for failures in found for each in failures)


def test_measuring_on_after_the_proof_is_caught_where_nothing_befalls(monkeypatch):
    """Records go on saying that measuring ended."""
    monkeypatch.setattr(selection, "ended_by", lambda _table, _weighed, _runs: None)
    ends = (seed for seed in range(27, 400) if _ends_early(seed))  # the first that shows it
    outcomes = (run_case(Case(seed=seed, faults={"reads-wrong": None})) for seed in ends)
    assert any(f.rule == "measured after the proof" for each in outcomes for f in each.failures)


def _ends_early(seed):
    return any(each.measure != "everything" for each in random_cell(seed).part_types)


def _has_reference(seed):
    return any(each.reference is not None for each in random_cell(seed).part_types)


SUPERVISOR_DIES = dict.fromkeys(
    ("crash", "crash-undurable", "crash-unsent", "crash-half", "crash-sent")
)
ASKED_ANYHOW = {
    "plan-undecidable",
    "calibration-overdue",
    "check-overdue",
    "reference-failed",
    "reference-good",
    "reference-trend",
}


def asked_after_deaths(seeds):
    """The codes of all holds when nothing befalls the cell but the death of its supervisor, and how often it died."""
    outcomes = [run_case(Case(seed=seed, faults=SUPERVISOR_DIES)) for seed in seeds]
    assert [o.failures for o in outcomes if o.failures] == []
    codes = {code for o in outcomes for code, _ in o.answers}
    return codes - ASKED_ANYHOW, sum(o.hits.total() for o in outcomes)


def test_a_supervisor_that_died_asks_nobody():
    """What the machines did meanwhile is seen, what was lost goes out again (seed 15: an order held back was called late at once)."""
    codes, deaths = asked_after_deaths(range(1, 21))
    assert codes == set()
    assert deaths > 50


def test_one_that_takes_lost_orders_for_delivered_has_to_ask(monkeypatch):
    lost_orders_not_repeated(monkeypatch)
    codes, _ = asked_after_deaths(range(1, 11))
    assert codes & {"move-late", "door-stuck", "prepare-failed", "start-unconfirmed"}


def test_a_failing_seed_shrinks_to_a_small_case_that_fails_for_the_same_reason(monkeypatch):
    without_proof(monkeypatch)
    failing = first_failure(20)
    small = Shrinking(failing, runs_max=120).run()
    again = run_case(small.case)
    assert again.failures[0].rule == failing.failures[0].rule
    assert again.fingerprint == small.fingerprint
    assert len(small.struck) <= 3 < len(failing.struck)
    assert small.facts < failing.facts
    monkeypatch.setattr(campaign, "commit", lambda: "0123456789ab")
    first, *_, last = about_failure(failing, small)
    found = failing.failures[0]
    assert first == f"SEED={failing.case.seed} COMMIT=0123456789ab {found.rule}: {found.text}"
    assert last.strip() == command_of(small.case)
