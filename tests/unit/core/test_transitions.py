"""The tables of stages: everything can be reached, everything has a way out, and nothing else is possible."""

from typing import get_args

import pytest

from supervisor.core.transitions import (
    BAY,
    HANDLER,
    PALLET,
    RUN,
    BayStage,
    HandlerStage,
    PalletStage,
    RunStage,
    TransitionError,
    next_stage,
)

TABLES = {
    "bay": (BAY, get_args(BayStage), "shut", "shut"),
    "run": (RUN, get_args(RunStage), "none", "none"),
    "handler": (HANDLER, get_args(HandlerStage), "idle", "idle"),
    "pallet": (PALLET, get_args(PalletStage), "seen", "gone"),
}

each_table = pytest.mark.parametrize("name", TABLES)


def reached_from(table, stage):
    """Every stage that can follow, at once or later."""
    found, fresh = set(), {stage}
    while fresh:
        found |= fresh
        fresh = {after for (before, _), after in table.items() if before in fresh} - found
    return found


@each_table
def test_the_table_names_every_stage_and_no_other(name):
    table, stages, _, _ = TABLES[name]
    named = {stage for stage, _ in table} | set(table.values())
    assert named == set(stages)


@each_table
def test_every_stage_can_be_reached(name):
    table, stages, first, _ = TABLES[name]
    assert reached_from(table, first) == set(stages)


@each_table
def test_every_stage_has_a_way_out(name):
    table, stages, _, last = TABLES[name]
    stuck = [stage for stage in stages if last not in reached_from(table, stage)]
    assert stuck == []


@each_table
def test_every_pair_that_is_not_in_the_table_is_refused(name):
    table, stages, _, _ = TABLES[name]
    triggers = {trigger for _, trigger in table}
    for stage in stages:
        for trigger in sorted(triggers | {"something else"}):
            if (stage, trigger) in table:
                assert next_stage(table, stage, trigger) == table[stage, trigger]
            else:
                with pytest.raises(TransitionError, match=f"{stage}.*{trigger}"):
                    next_stage(table, stage, trigger)
