"""Everything that is checked beyond the form of the files: one table.

Rules of this file:
- A check is a function from the sound entries of a declaration to problems. It never raises and knows no other check.
- ``needs`` says when a check can be trusted: "entries" always; "names" once every file can be read, as it looks for what other
  files declare; "whole" once there is no error so far, as it says that something is missing from everything.
"""

from collections.abc import Callable, Iterator
from typing import Literal

from supervisor.cell import (
    calibration_checks,
    cell_checks,
    derived_checks,
    name_checks,
    offsets,
    plan_checks,
    precedence_checks,
    program_checks,
    reference_part_checks,
    routing_checks,
    tool_offset_checks,
)
from supervisor.cell.declaration import Declaration
from supervisor.cell.problem import Problem, errors_among
from supervisor.cell.value import value

Needs = Literal["entries", "names", "whole"]


@value
class Check:
    """A check and what it needs."""

    needs: Needs
    check: Callable[[Declaration], Iterator[Problem]]


CHECKS = (
    Check(needs="entries", check=name_checks.names_are_distinct),
    Check(needs="entries", check=name_checks.part_types_are_distinct),
    Check(needs="entries", check=name_checks.numbers_are_distinct),
    Check(needs="entries", check=name_checks.programs_are_distinct),
    Check(needs="entries", check=name_checks.covers_are_distinct),
    Check(needs="entries", check=name_checks.antennas_are_distinct),
    Check(needs="entries", check=name_checks.addresses_are_distinct),
    Check(needs="entries", check=plan_checks.limits_can_be_made_out),
    Check(needs="entries", check=plan_checks.lines_make_sense),
    Check(needs="entries", check=plan_checks.measuring_ends_with_a_verdict),
    Check(needs="entries", check=plan_checks.soaking_comes_to_an_end),
    Check(needs="entries", check=derived_checks.derived_characteristics_follow_from_measured_ones),
    Check(needs="entries", check=derived_checks.bonuses_come_from_a_size),
    Check(needs="entries", check=tool_offset_checks.tool_offsets_are_distinct),
    Check(needs="entries", check=tool_offset_checks.answers_name_tool_offsets),
    Check(needs="entries", check=tool_offset_checks.answers_can_be_followed),
    Check(needs="entries", check=tool_offset_checks.targets_are_known),
    Check(needs="entries", check=tool_offset_checks.steps_are_possible),
    Check(needs="entries", check=tool_offset_checks.tool_offsets_are_answered),
    Check(needs="entries", check=precedence_checks.precedence_names_the_plan),
    Check(needs="entries", check=precedence_checks.precedence_is_between_mandatory_characteristics),
    Check(needs="entries", check=precedence_checks.precedence_has_no_ring),
    Check(needs="entries", check=reference_part_checks.reference_values_make_sense),
    Check(needs="entries", check=reference_part_checks.reference_certificates_hold),
    Check(needs="entries", check=cell_checks.rail_has_a_length),
    Check(needs="entries", check=cell_checks.everything_can_be_reached),
    Check(needs="entries", check=cell_checks.swaps_have_a_time),
    Check(needs="entries", check=cell_checks.profiles_know_every_jaw),
    Check(needs="entries", check=cell_checks.swaps_save_time),
    Check(needs="entries", check=cell_checks.moves_can_end_in_time),
    Check(needs="entries", check=cell_checks.late_comes_after_the_expected_time),
    Check(needs="entries", check=cell_checks.decision_rules_are_agreed),
    Check(needs="entries", check=routing_checks.objectives_say_what_presses),
    Check(needs="entries", check=routing_checks.look_ahead_has_a_bound),
    Check(needs="names", check=routing_checks.urgencies_refer_to_part_types),
    Check(needs="entries", check=cell_checks.outfeeds_say_what_they_accept),
    Check(needs="entries", check=cell_checks.security_makes_sense),
    Check(needs="entries", check=cell_checks.silence_can_be_kept),
    Check(needs="entries", check=cell_checks.expansions_are_in_millionths),
    Check(needs="entries", check=cell_checks.receivers_can_be_reached),
    Check(needs="entries", check=calibration_checks.calibrations_hold),
    Check(needs="entries", check=program_checks.pallets_are_free_before_the_result),
    Check(needs="entries", check=program_checks.coverage_factors_are_possible),
    Check(needs="entries", check=program_checks.uncertainties_are_in_the_unit),
    Check(needs="entries", check=program_checks.programs_have_the_number_their_station_selects_by),
    Check(needs="entries", check=program_checks.stations_can_name_the_characteristics),
    Check(needs="entries", check=program_checks.results_are_in_the_unit_of_the_plan),
    Check(needs="entries", check=offsets.offsets_are_distinct),
    Check(needs="entries", check=offsets.offsets_make_sense),
    Check(needs="entries", check=offsets.offsets_have_not_expired),
    Check(needs="names", check=derived_checks.averages_are_of_two_stations),
    Check(needs="names", check=offsets.offsets_refer_to_what_is_declared),
    Check(needs="names", check=name_checks.programs_refer_to_what_is_declared),
    Check(needs="names", check=reference_part_checks.references_refer_to_what_is_declared),
    Check(needs="names", check=name_checks.places_refer_to_readers),
    Check(needs="names", check=name_checks.profiles_are_known),
    Check(needs="names", check=name_checks.profiles_are_of_the_right_kind),
    Check(needs="whole", check=cell_checks.parts_have_somewhere_to_go),
    Check(needs="whole", check=cell_checks.parts_have_somewhere_to_come_from),
    Check(needs="whole", check=cell_checks.one_jaw_has_somewhere_to_put_a_pallet),
    Check(needs="whole", check=cell_checks.a_fault_leaves_somewhere_to_put_a_pallet),
    Check(needs="whole", check=cell_checks.readers_watch_something),
    Check(needs="whole", check=program_checks.every_characteristic_can_be_decided),
    Check(needs="whole", check=precedence_checks.precedence_can_be_kept),
    Check(needs="whole", check=program_checks.programs_decide_something),
    Check(needs="whole", check=program_checks.stations_have_programs),
    Check(needs="whole", check=offsets.offsets_correct_something),
    Check(needs="whole", check=reference_part_checks.checks_measure_a_reference_value),
    Check(needs="whole", check=reference_part_checks.reference_parts_leave_room),
)


def check(declaration: Declaration, problems: list[Problem]) -> list[Problem]:
    """Run every check whose needs are met; ``problems`` is what reading the files has found.

    Returns:
        All problems, those of reading included.
    """
    found = [*problems, *_run("entries", declaration)]
    if not declaration.files.unread:
        found += _run("names", declaration)
    if not errors_among(found):
        found += _run("whole", declaration)
    return found


def _run(needs: Needs, declaration: Declaration) -> Iterator[Problem]:
    for entry in CHECKS:
        if entry.needs == needs:
            yield from entry.check(declaration)
