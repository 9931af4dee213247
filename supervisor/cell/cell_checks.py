"""The machines and places of a cell: positions, times, and whether the cell can work at all.

Rules of this file:
- Positions are along the handler's rail, in mm. Times are expectations in seconds; a limit is longer than what it limits.
- A warning is given where the cell works, but probably not as its author meant.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import get_args

from supervisor.cell.declaration import Declaration
from supervisor.cell.model import Sorting
from supervisor.cell.problem import Problem
from supervisor.cell.profile import HandlerProfile
from supervisor.cell.receivers import receiver_problems
from supervisor.cell.schema import DecisionRuleEntry
from supervisor.cell.security import security_problems

ISO_14253_1_RULE = "ISO 14253-1:2017"
ISO_14253_1_GUARD_FACTOR = Decimal("1.65")
GUARD_FACTOR_MAX = 6

EXPANSION_MIN, EXPANSION_MAX = Decimal("0.01"), Decimal(300)
"""Of solids from fused silica alloys to plastics, in 1e-6/K (our bounds, to catch another unit)."""


def rail_has_a_length(declaration: Declaration) -> Iterator[Problem]:
    """The rail goes from a lower to a higher position."""
    handler = declaration.handler
    if handler and handler.rail_from_mm >= handler.rail_to_mm:
        yield handler.problem(
            "rail_to_mm",
            expected=f"a position above rail_from_mm, {handler.rail_from_mm}",
            remedy="exchange the two, or correct one",
        )


def everything_can_be_reached(declaration: Declaration) -> Iterator[Problem]:
    """Every station and place stands within the handler's rail."""
    handler = declaration.handler
    if handler is None or handler.rail_from_mm >= handler.rail_to_mm:
        return
    for entry in (*declaration.stations, *declaration.places):
        if not handler.rail_from_mm <= entry.at_mm <= handler.rail_to_mm:
            yield entry.problem(
                "at_mm",
                expected=f"a position that {handler.id} reaches, {handler.rail_from_mm} to {handler.rail_to_mm}",
                remedy="correct the position, or the rail of the handler",
            )


def swaps_have_a_time(declaration: Declaration) -> Iterator[Problem]:
    """A handler with two jaws swaps, one with one jaw cannot."""
    handler = declaration.handler
    if handler is None:
        return
    if handler.jaws == 2 and handler.swap_s is None:  # noqa: PLR2004
        yield handler.problem(
            "swap_s",
            expected="the time of a swap, as there are two jaws",
            found="nothing",
            remedy="add `swap_s:`",
        )
    if handler.jaws == 1 and handler.swap_s is not None:
        yield handler.problem(
            "swap_s",
            expected="no time of a swap, as one jaw cannot swap",
            remedy="remove it, or correct the number of jaws",
            grade="warning",
        )


def profiles_know_every_jaw(declaration: Declaration) -> Iterator[Problem]:
    """The handler's profile reports every jaw that the handler has."""
    handler = declaration.handler
    profile = declaration.profiles.get(handler.profile) if handler else None
    if handler and isinstance(profile, HandlerProfile):
        reported = len(profile.facets.jaws)
        if handler.jaws > reported:
            yield handler.problem(
                "jaws",
                expected=f"at most {reported}, as {handler.profile} reports no more",
                remedy="name a profile for both jaws, or correct the number of jaws",
            )


def swaps_save_time(declaration: Declaration) -> Iterator[Problem]:
    """A swap is no slower than a pick and a put."""
    handler = declaration.handler
    if handler and handler.swap_s and handler.swap_s > handler.pick_s + handler.put_s:
        yield handler.problem(
            "swap_s",
            expected=f"at most pick_s and put_s together, {handler.pick_s + handler.put_s}",
            remedy="check the three times",
            grade="warning",
        )


def moves_can_end_in_time(declaration: Declaration) -> Iterator[Problem]:
    """The longest move ends before it counts as failed."""
    handler = declaration.handler
    if handler is None:
        return
    way_mm = abs(handler.rail_to_mm - handler.rail_from_mm)
    stop_s = max(handler.pick_s, handler.put_s, handler.swap_s or Decimal(0))
    longest_s = Decimal(way_mm) / handler.speed_mm_s + stop_s
    if handler.move_s_max <= longest_s:
        yield handler.problem(
            "move_s_max",
            expected=f"more than the longest move, {longest_s.quantize(Decimal('0.1'))} s",
            remedy="raise it well above: every long move would count as failed",
        )


def late_comes_after_the_expected_time(declaration: Declaration) -> Iterator[Problem]:
    """A run is late only after its expected duration."""
    for station in declaration.stations:
        if station.late_factor <= 1:
            yield station.problem(
                "late_factor",
                expected="a factor above 1",
                remedy="write 1.5, or how much later than expected is too late",
            )


def decision_rules_are_agreed(declaration: Declaration) -> Iterator[Problem]:
    """Any decision rule but the default one says who agreed on it and when; one named after the standard has its guard band."""
    rules = [declaration.rule, *(draft.rule for draft in declaration.part_types if draft.rule)]
    for rule in rules:
        yield from _rule_problems(rule)


def _rule_problems(rule: DecisionRuleEntry) -> Iterator[Problem]:
    standard = rule.rule == ISO_14253_1_RULE
    default = standard and rule.guard_factor == ISO_14253_1_GUARD_FACTOR
    if not 0 <= rule.guard_factor <= GUARD_FACTOR_MAX:
        yield rule.problem(
            "guard_factor",
            expected=f"standard uncertainties, from 0 to {GUARD_FACTOR_MAX}",
            remedy=f"write {ISO_14253_1_GUARD_FACTOR} for {ISO_14253_1_RULE}",
        )
    elif rule.agreed_by is None and (rule.agreed_on is not None or not default):
        yield rule.problem(
            "agreed_by",
            expected=f"who agreed on it, as it is not {ISO_14253_1_RULE} with {ISO_14253_1_GUARD_FACTOR}",
            found="nothing",
            remedy="add `agreed_by:` and `agreed_on:`, or leave the decision rule out",
        )
    elif rule.agreed_by is not None and rule.agreed_on is None:
        yield rule.problem(
            "agreed_on",
            expected="the day of the agreement",
            found="nothing",
            remedy="add `agreed_on:`, such as 2026-04-30",
        )
    elif standard and not default:
        yield rule.problem(
            "guard_factor",
            expected=f"{ISO_14253_1_GUARD_FACTOR}, as {ISO_14253_1_RULE} has it",
            remedy="give the rule that you agreed on a name of its own",
            grade="warning",
        )


def outfeeds_say_what_they_accept(declaration: Declaration) -> Iterator[Problem]:
    """An outfeed place has a sorting, no other place has one."""
    for place in declaration.places:
        if place.kind == "outfeed" and place.sorting is None:
            yield place.problem(
                "sorting",
                expected="what this outfeed accepts",
                found="nothing",
                remedy="add `sorting:` conforming, nonconforming or hold",
            )
        if place.kind != "outfeed" and place.sorting is not None:
            yield place.problem(
                "sorting",
                expected=f"no sorting for {'a rack' if place.kind == 'rack' else 'an infeed'} place",
                remedy="remove it, or write `kind: outfeed`",
            )


def parts_have_somewhere_to_go(declaration: Declaration) -> Iterator[Problem]:
    """Every sorting has an outfeed place: a part without one would block the cell for good."""
    offered = {place.sorting for place in declaration.places if place.kind == "outfeed"}
    cell = declaration.files.cell
    for sorting in get_args(Sorting):
        if cell is not None and sorting not in offered:
            yield cell.problem(
                "places",
                expected=f"an outfeed place for {sorting} parts",
                found="none",
                remedy=f"add a place with `kind: outfeed, sorting: {sorting}`",
            )


def parts_have_somewhere_to_come_from(declaration: Declaration) -> Iterator[Problem]:
    """There is a place where pallets come in."""
    cell = declaration.files.cell
    if cell is not None and all(place.kind == "outfeed" for place in declaration.places):
        yield cell.problem(
            "places",
            expected="a rack place or an infeed place where pallets come in",
            found="none",
            remedy="add a place with `kind: rack`, or with `kind: infeed` where pallets cannot be brought back",
        )


def one_jaw_has_somewhere_to_put_a_pallet(declaration: Declaration) -> Iterator[Problem]:
    """With one jaw a pallet that has come in can be put down again between two stations, or it never needs two.

    Two pallets that stand in each other's next nest could be exchanged by two jaws only. Who needs which station cannot be foreseen: a
    bad value is measured again elsewhere. So a pallet from an infeed is fetched once a rack place is kept for it, and there has to be one.
    """
    handler, cell = declaration.handler, declaration.files.cell
    kinds = [place.kind for place in declaration.places]
    if handler is None or cell is None or handler.jaws > 1 or "infeed" not in kinds:
        return
    staying = sum(draft.reference is not None for draft in declaration.part_types)
    needing = _part_types_of_several_stations(declaration)
    if needing and kinds.count("rack") <= staying:
        part_type, stations = needing[0]
        yield cell.problem(
            "places",
            expected=f"a rack place, as {handler.id} has one jaw and {part_type} is measured at {', '.join(stations)}: two pallets, each "
            "in the nest that the other needs next, could never be parted",
            found="none" if not staying else "none beside those that reference parts stay in",
            remedy="add a place with `kind: rack`; each one lets one pallet more be between its visits",
        )


def a_fault_leaves_somewhere_to_put_a_pallet(declaration: Declaration) -> Iterator[Problem]:
    """With an infeed and two jaws there is a rack place for the pallet in the jaw whose station fails; else a person has to take it out."""
    handler, cell = declaration.handler, declaration.files.cell
    kinds = {place.kind for place in declaration.places}
    if handler is None or cell is None or handler.jaws == 1 or "infeed" not in kinds:
        return
    if "rack" not in kinds:
        yield cell.problem(
            "places",
            expected="a rack place for a pallet in the jaw that no station takes any more, because of a fault",
            found="none",
            remedy="add one place with `kind: rack`, or have a person at hand who takes it out",
            grade="warning",
        )


def _part_types_of_several_stations(
    declaration: Declaration,
) -> list[tuple[str, list[str]]]:
    """The part types that more than one station measures, each with its stations."""
    measuring: dict[str, set[str]] = {}
    for program in declaration.programs:
        measuring.setdefault(program.part_type, set()).add(program.station)
    parts = [draft.part_type for draft in declaration.part_types if draft.reference is None]
    return [(name, sorted(measuring[name])) for name in parts if len(measuring.get(name, ())) > 1]


def readers_watch_something(declaration: Declaration) -> Iterator[Problem]:
    """A reader has a place to watch."""
    watched = {place.reader for place in declaration.places}
    for reader in declaration.readers:
        if reader.id not in watched:
            yield reader.problem(
                "id",
                expected="a place that names this reader",
                found="none",
                remedy="name it in the places it watches, or remove it",
                grade="warning",
            )


SILENCE_MS_MIN = 300
SILENCE_MS_MAX = 10_000


def security_makes_sense(declaration: Declaration) -> Iterator[Problem]:
    """A user has a password that is kept elsewhere, and sends it encrypted; an unsecured connection declares neither."""
    handler = [declaration.handler] if declaration.handler else []
    for entry in (*declaration.stations, *handler, *declaration.readers):
        yield from security_problems(entry.security)


def silence_can_be_kept(declaration: Declaration) -> Iterator[Problem]:
    """The limit of silence leaves room for signs of life that come late, and finds a dead connection before anybody waits for it."""
    handler = [declaration.handler] if declaration.handler else []
    for entry in (*declaration.stations, *handler, *declaration.readers):
        if not SILENCE_MS_MIN <= entry.silence_ms <= SILENCE_MS_MAX:
            yield entry.problem(
                "silence_ms",
                expected=f"{SILENCE_MS_MIN} to {SILENCE_MS_MAX}",
                found=str(entry.silence_ms),
                remedy="leave it out for 1500, or lower it where server and network are known to be quick",
            )


def receivers_can_be_reached(declaration: Declaration) -> Iterator[Problem]:
    """Each receiver has a name of its own and an address that messages can be posted to, encrypted on its way through a network."""
    yield from receiver_problems(declaration.receivers)


def expansions_are_in_millionths(declaration: Declaration) -> Iterator[Problem]:
    """A coefficient of expansion is in millionths per kelvin, as materials have it, and its uncertainty is smaller than itself."""
    for draft in declaration.part_types:
        entry = draft.expansion
        if entry is None:
            continue
        if not EXPANSION_MIN <= entry.per_million_k <= EXPANSION_MAX:
            yield entry.problem(
                "per_million_k",
                expected=f"{EXPANSION_MIN} to {EXPANSION_MAX} millionths per kelvin",
                remedy="write 11.5 for steel, 23.8 for an aluminium alloy",
            )
        elif entry.u >= entry.per_million_k:
            yield entry.problem(
                "u",
                expected="less than the coefficient, in millionths per kelvin as well",
                remedy="write 1 where only the material is known",
            )
