"""A plan prescribes that some characteristics are measured before others: whole runs of the small cell keep to it."""

import pytest

from simulators.bench.trial import finish, serials, troubles
from supervisor.cell.value import replace
from supervisor.core.commands import StartRun
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.selection import still_open


def with_order(cell, **after):
    """``c3=("2",)``: in every part type 3 is measured after 2."""
    part_types = tuple(
        replace(
            part,
            plan=tuple(replace(c, after=after.get(f"c{c.number}", ())) for c in part.plan),
        )
        for part in cell.part_types
    )
    return replace(cell, part_types=part_types)


def runs_of(world):
    """By serial number the programs that were started, in order."""
    found = {}
    for entry in world.journal.entries:
        for command in entry.commands:
            if isinstance(command, StartRun):
                found.setdefault(command.serial, []).append(command.program)
    return found


@pytest.mark.parametrize("jaws", [1, 2])
@pytest.mark.parametrize("order", [{"c3": ("2",)}, {"c2": ("3",)}, {"c1": ("2", "3")}])
def test_every_part_is_measured_in_the_prescribed_order(a_world, jaws, order):
    world = a_world(pallets=6, jaws=jaws, declared=lambda cell: with_order(cell, **order))
    finish(world, parts=6)
    assert troubles(world, parts=serials(world)) == []
    coverage = world.core.tables.coverage
    for serial, programs in runs_of(world).items():
        measured = set()
        for program in programs:
            covered = set(coverage[program])
            for number in covered - measured:
                lacking = set(order.get(f"c{number}", ())) - measured - covered
                assert not lacking, f"{serial}: {number} before {lacking}"
            measured |= covered


def test_two_orders_that_contradict_each_other_are_two_ways_through_the_cell(a_world):
    first = {}
    for number, order in enumerate(({"c3": ("2",)}, {"c2": ("3",)})):
        world = a_world(pallets=1, declared=lambda cell, o=order: with_order(cell, **o))
        finish(world, parts=1)
        (programs,) = runs_of(world).values()
        first[number] = programs[0]
    assert first[0] != first[1]


def test_what_programs_can_no_longer_measure_in_order_is_not_waited_for(a_world):
    """The one program that went before is used up; the two left wait for each other. The part is finished, undecided."""
    world = a_world(pallets=1)
    (part, *_) = world.cell.part_types
    numbers = [c.number for c in part.plan]
    one, two, three = numbers
    plan = tuple(
        replace(c, after={two: (three,), three: (two,)}.get(c.number, ())) for c in part.plan
    )
    programs = [p for p in world.cell.programs if p.part_type == part.part_type]
    covers = {cover.number: cover for p in programs for cover in p.covers}
    base = programs[0]
    both = replace(base, program="both", covers=(covers[two], covers[three]))
    apart = [
        replace(base, program="a", covers=(covers[one], covers[two])),
        replace(base, program="b", covers=(covers[three],)),
    ]
    table = PlanTable(
        replace(part, plan=plan), [both, *apart], world.cell.rule, world.cell.stations
    )
    assert [each.number for each in still_open(table, (), ())] == numbers
    used_up = (("both", 2),)
    assert still_open(table, (), used_up) == ()


def test_what_a_program_measures_without_deciding_it_counts_when_nothing_is_left_in_order(a_world):
    """``weak`` alone decides 1 and measures 3, not well enough; 3 after 2 and 2 after 1: nobody can begin."""
    world = a_world(pallets=1)
    (part, *_) = world.cell.part_types
    one, two, three = (c.number for c in part.plan)
    plan = tuple(
        replace(c, after={two: (one,), three: (two,)}.get(c.number, ())) for c in part.plan
    )
    programs = [p for p in world.cell.programs if p.part_type == part.part_type]
    covers = {cover.number: cover for p in programs for cover in p.covers}
    base = programs[0]
    coarse = replace(covers[three], expanded_u=covers[three].expanded_u * 1000)
    rest = replace(base, program="rest", covers=(covers[two], covers[three]))

    def opened(*first):
        begins = replace(base, program="weak", covers=first)
        part_type = replace(part, plan=plan)
        table = PlanTable(part_type, [begins, rest], world.cell.rule, world.cell.stations)
        return [each.number for each in still_open(table, (), ())]

    assert opened(covers[one]) == [one, two, three]
    assert opened(covers[one], coarse) == []
