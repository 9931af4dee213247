"""What a study is asked for, and the changes of it that ``--what-if`` names.

Rules of this file: a change says ``KEY=VALUE``; keys are listed in ``KEYS``. What cannot be changed so is refused with what was expected.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal, InvalidOperation
from itertools import product
from typing import get_args

from supervisor.cell import model
from supervisor.cell.canonical import with_digest
from supervisor.cell.routing_checks import LOOK_AHEAD_STEPS_MAX, WEIGHT_MAX
from supervisor.cell.value import replace as changed

COPIES_MAX = 16
PLACES_MAX = 200
FACTOR_MAX = Decimal(100)
MINUTE_MS = 60_000
DUE_MIN_MAX = 24 * 60
"""As in a cell file: a day."""


OBJECTIVES: dict[str, model.Objective] = {each: each for each in get_args(model.Objective)}


class WrongWish(Exception):  # noqa: N818 - it says what is wrong with the input
    """A wish that no study can meet; the text names it, what was expected and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Failures:
    """Faults of a station: how many per hour of the cell's time, and how many minutes a repair takes on average."""

    per_hour: float = 0.0
    repair_min: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """One shift to be studied: the cell, its length, and what comes.

    ``every_s`` 0: a pallet stands ready whenever the rack, or the infeed if there is one, has room. ``pallets`` 0: as many as the shift can take. ``mix`` has the share of
    each part type relative to the others (1 where it has none).
    """

    cell: model.Cell
    hours: float
    pallets: int = 0
    every_s: float = 0.0
    bad_share: float = 0.05
    mix: dict[str, float] = field(default_factory=dict[str, float])
    failures: dict[str, Failures] = field(default_factory=dict[str, Failures])


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """A shift to be studied under a name; the cell as it was asked for is "as declared"."""

    name: str
    wishes: Wishes


AS_DECLARED = "as declared"


def variants(wishes: Wishes, what_if: list[str]) -> list[Variant]:
    """The cell as declared, and each change of it. "A=1,2 B=3" gives two: A=1 with B=3, and A=2 with B=3.

    Raises:
        WrongWish: a change cannot be made.
    """
    found = [Variant(name=AS_DECLARED, wishes=wishes)]
    for text in what_if:
        keys = [_split(part) for part in text.split()]
        if not keys:
            raise WrongWish("--what-if: expected KEY=VALUE, found nothing")
        for values in product(*(values for _, values in keys)):
            chosen = [(key, value) for (key, _), value in zip(keys, values, strict=True)]
            found.append(_variant(wishes, chosen))
    return found


def _split(part: str) -> tuple[str, list[str]]:
    key, is_there, values = part.partition("=")
    if not is_there or not key or not all(values.split(",")):
        raise WrongWish(
            f"--what-if {part}: expected KEY=VALUE or KEY=VALUE,VALUE, such as stations.touch-1=2; keys: {', '.join(KEYS)}"
        )
    return key, values.split(",")


def _variant(wishes: Wishes, chosen: list[tuple[str, str]]) -> Variant:
    declared = frozenset(each.station for each in wishes.cell.stations)
    for key, value in sorted(chosen, key=lambda change: _turn(change[0], declared)):
        wishes = _change(wishes, key, value)
    name = " ".join(f"{key}={value}" for key, value in chosen)
    _repairs_follow_failures(chosen)
    _still_decidable(wishes.cell, name)
    _never_stuck(wishes.cell, name)
    _objective_is_heard(wishes.cell.routing, name)
    return Variant(name=name, wishes=replace(wishes, cell=with_digest(wishes.cell)))


def _turn(key: str, declared: frozenset[str]) -> int:
    """When a change is made, so that the order of the text says nothing.

    An objective sets what presses, so it comes first. Stations like this one are like what it became; what is said of one of them comes after it is there.
    """
    noun, _, rest = key.partition(".")
    if key == "routing.objective":
        return 0
    if noun != "stations":
        return 1
    if not _ends_in_word(rest):
        return 2
    return 1 if rest.rpartition(".")[0] in declared else 3


def _change(wishes: Wishes, key: str, value: str) -> Wishes:
    noun, _, rest = key.partition(".")
    named, _, what = rest.rpartition(".")
    for pattern, act in KEYS.items():
        p_noun, _, p_rest = pattern.partition(".")
        if noun != p_noun:
            continue
        if p_rest == rest:
            return act(wishes, "", value)
        if p_rest == "NAME" and not _ends_in_word(rest):
            return act(wishes, rest, value)
        if p_rest == f"NAME.{what}":
            return act(wishes, named, value)
    raise WrongWish(f"--what-if {key}={value}: expected one of the keys {', '.join(KEYS)}")


def _ends_in_word(rest: str) -> bool:
    return rest.rpartition(".")[2] in ("speed", "failures", "repair") and "." in rest


# --- values ---------------------------------------------------------------------------------------------------------------------


def _whole(key: str, text: str, low: int, high: int) -> int:
    number = int(text) if text.isdecimal() else -1
    if not low <= number <= high:
        raise WrongWish(
            f"--what-if {key}={text}: expected a whole number from {low} to {high}, found {text}"
        )
    return number


def _decimal(key: str, text: str, *, zero: str = "refused") -> Decimal:
    try:
        number = Decimal(text)
    except InvalidOperation:
        number = Decimal(-1)
    low_enough = number.is_finite() and number <= FACTOR_MAX * 100
    if not low_enough or number < 0 or (number == 0 and zero == "refused"):
        least = "0 or more" if zero == "allowed" else "above 0"
        raise WrongWish(f"--what-if {key}={text}: expected a number {least}, found {text}")
    return number


def _station(wishes: Wishes, key: str, name: str) -> model.Station:
    for station in wishes.cell.stations:
        if station.station == name:
            return station
    known = ", ".join(station.station for station in wishes.cell.stations)
    raise WrongWish(f"--what-if {key}: expected a station of the cell ({known}), found {name}")


# --- changes --------------------------------------------------------------------------------------------------------------------


def _stations(wishes: Wishes, name: str, text: str) -> Wishes:
    """So many stations like this one, side by side, with the same programs, each failing as often."""
    key = f"stations.{name}"
    station = _station(wishes, key, name)
    count = _whole(key, text, 0, COPIES_MAX)
    cell = wishes.cell
    stations = [each for each in cell.stations if each is not station]
    programs = [each for each in cell.programs if each.station != name]
    own = [each for each in cell.programs if each.station == name]
    failures = {each: found for each, found in wishes.failures.items() if each != name}
    for number in range(1, count + 1):
        suffix = "" if number == 1 else f"-{number}"
        stations.append(changed(station, station=name + suffix))
        if name in wishes.failures:
            failures[name + suffix] = wishes.failures[name]
        programs += [changed(p, program=p.program + suffix, station=name + suffix) for p in own]
    if not stations:
        raise WrongWish(f"--what-if {key}={text}: expected at least one station in the cell")
    return replace(
        wishes,
        failures=failures,
        cell=changed(
            cell,
            stations=tuple(sorted(stations, key=lambda s: s.station)),
            programs=tuple(sorted(programs, key=lambda p: p.program)),
        ),
    )


def _station_speed(wishes: Wishes, name: str, text: str) -> Wishes:
    """Every program of this station takes its time divided by the factor."""
    key = f"stations.{name}.speed"
    _station(wishes, key, name)
    factor = _decimal(key, text)
    programs = tuple(
        changed(
            each,
            part_free_ms=max(1, round(each.part_free_ms / factor)),
            result_ms=max(1, round(each.result_ms / factor)),
        )
        if each.station == name
        else each
        for each in wishes.cell.programs
    )
    return replace(wishes, cell=changed(wishes.cell, programs=programs))


def _failures(wishes: Wishes, name: str, text: str) -> Wishes:
    key = f"stations.{name}.failures"
    _station(wishes, key, name)
    per_hour = float(_decimal(key, text, zero="allowed"))
    before = wishes.failures.get(name, Failures())
    return replace(wishes, failures={**wishes.failures, name: replace(before, per_hour=per_hour)})


def _repair(wishes: Wishes, name: str, text: str) -> Wishes:
    key = f"stations.{name}.repair"
    _station(wishes, key, name)
    minutes = float(_decimal(key, text))
    before = wishes.failures.get(name, Failures())
    return replace(wishes, failures={**wishes.failures, name: replace(before, repair_min=minutes)})


def _jaws(wishes: Wishes, _name: str, text: str) -> Wishes:
    jaws = 2 if _whole("handler.jaws", text, 1, 2) == 2 else 1  # noqa: PLR2004 - one jaw or two
    handler = changed(wishes.cell.handler, jaws=jaws)
    return replace(wishes, cell=changed(wishes.cell, handler=handler))


def _handler_speed(wishes: Wishes, _name: str, text: str) -> Wishes:
    """Travel and stops take their time divided by the factor."""
    factor = _decimal("handler.speed", text)
    before = wishes.cell.handler
    handler = changed(
        before,
        speed_mm_s=max(1, round(before.speed_mm_s * factor)),
        pick_ms=max(1, round(before.pick_ms / factor)),
        put_ms=max(1, round(before.put_ms / factor)),
        swap_ms=max(1, round(before.swap_ms / factor)),
    )
    return replace(wishes, cell=changed(wishes.cell, handler=handler))


def _rack(wishes: Wishes, _name: str, text: str) -> Wishes:
    """So many rack places: the first ones, or further ones over the same positions; where there is none yet, over those of the infeed."""
    infeeds = [place for place in wishes.cell.places if place.kind == "infeed"]
    count = _whole("rack.places", text, 0 if infeeds else 1, PLACES_MAX)
    over = [changed(p, place=f"rack-over-{p.place}", kind="rack") for p in infeeds]
    return replace(wishes, cell=_with_places(wishes.cell, count, lambda p: p.kind == "rack", over))


def _infeed(wishes: Wishes, _name: str, text: str) -> Wishes:
    """So many infeed places: the first ones, or further ones over the same positions."""
    if all(place.kind != "infeed" for place in wishes.cell.places):
        raise WrongWish("--what-if infeed.places: expected a cell with an infeed place, found none")
    count = _whole("infeed.places", text, 1, PLACES_MAX)
    return replace(wishes, cell=_with_places(wishes.cell, count, lambda p: p.kind == "infeed"))


def _outfeed(wishes: Wishes, name: str, text: str) -> Wishes:
    """So many places for this sorting."""
    sortings = sorted({p.sorting for p in wishes.cell.places if p.sorting})
    if name not in sortings:
        raise WrongWish(
            f"--what-if outfeed.{name}: expected a sorting of the cell ({', '.join(sortings)}), found {name}"
        )
    count = _whole(f"outfeed.{name}", text, 1, PLACES_MAX)
    return replace(wishes, cell=_with_places(wishes.cell, count, lambda p: p.sorting == name))


def _with_places(
    cell: model.Cell,
    count: int,
    chosen: Callable[[model.Place], bool],
    instead: Sequence[model.Place] = (),
) -> model.Cell:
    """The cell with so many of the chosen places; further ones are like these, or like those ``instead`` where there is none."""
    own = [place for place in cell.places if chosen(place)]
    kept = own[:count]
    antenna = max(place.antenna for place in cell.places)
    for number in range(len(own), count):
        like = (own or instead)[number % len(own or instead)]
        antenna += 1
        kept.append(changed(like, place=f"{like.place}-more-{number + 1}", antenna=antenna))
    places = [place for place in cell.places if not chosen(place)] + kept
    return changed(cell, places=tuple(sorted(places, key=lambda p: p.place)))


def _mix(wishes: Wishes, name: str, text: str) -> Wishes:
    """How often a part type comes, relative to the others, which come once each."""
    known = [part.part_type for part in wishes.cell.part_types]
    if name not in known:
        raise WrongWish(
            f"--what-if mix.{name}: expected a part type of the cell ({', '.join(known)}), found {name}"
        )
    share = float(_decimal(f"mix.{name}", text, zero="allowed"))
    mix = {**wishes.mix, name: share}
    if not any(mix.get(each, 1.0) for each in known):
        raise WrongWish(f"--what-if mix.{name}={text}: expected at least one part type that comes")
    return replace(wishes, mix=mix)


def _every(wishes: Wishes, _name: str, text: str) -> Wishes:
    return replace(wishes, every_s=float(_decimal("arrivals.every", text, zero="allowed")))


def _objective(wishes: Wishes, _name: str, text: str) -> Wishes:
    """Another objective. Throughput knows nothing that presses; of priority classes nothing is due, their weights stay."""
    objective = OBJECTIVES.get(text)
    if objective is None:
        known = ", ".join(OBJECTIVES)
        raise WrongWish(
            f"--what-if routing.objective={text}: expected one of {known}, found {text}"
        )
    urgencies = wishes.cell.routing.urgencies
    if objective == "throughput":
        urgencies = ()
    elif objective == "priority_classes":
        urgencies = tuple(changed(each, due_ms=0) for each in urgencies)
    return _with_routing(
        wishes, changed(wishes.cell.routing, objective=objective, urgencies=urgencies)
    )


def _look_ahead(wishes: Wishes, _name: str, text: str) -> Wishes:
    steps = _whole("routing.look_ahead_steps", text, 0, LOOK_AHEAD_STEPS_MAX)
    return _with_routing(wishes, changed(wishes.cell.routing, look_ahead_steps=steps))


def _due(wishes: Wishes, name: str, text: str) -> Wishes:
    """So many minutes after it came in a part of this type is due."""
    key = f"due.{name}"
    minutes = _decimal(key, text)
    if minutes > DUE_MIN_MAX:
        raise WrongWish(f"--what-if {key}={text}: expected at most {DUE_MIN_MAX}, found {text}")
    due_ms = max(1, round(minutes * MINUTE_MS))
    return _pressing(wishes, changed(_urgency(wishes, key, name), due_ms=due_ms))


def _weight(wishes: Wishes, name: str, text: str) -> Wishes:
    key = f"weight.{name}"
    weight = _whole(key, text, 1, WEIGHT_MAX)
    return _pressing(wishes, changed(_urgency(wishes, key, name), weight=weight))


def _urgency(wishes: Wishes, key: str, name: str) -> model.Urgency:
    """How much this part type presses; one that did not yet does with weight 1."""
    known = [part.part_type for part in wishes.cell.part_types if part.reference is None]
    if name not in known:
        raise WrongWish(
            f"--what-if {key}: expected a part type that leaves the cell ({', '.join(known)}), found {name}"
        )
    for urgency in wishes.cell.routing.urgencies:
        if urgency.part_type == name:
            return urgency
    return model.Urgency(part_type=name, due_ms=0, weight=1)


def _pressing(wishes: Wishes, urgency: model.Urgency) -> Wishes:
    routing = wishes.cell.routing
    others = [each for each in routing.urgencies if each.part_type != urgency.part_type]
    urgencies = tuple(sorted((*others, urgency), key=lambda each: each.part_type))
    return _with_routing(wishes, changed(routing, urgencies=urgencies))


def _with_routing(wishes: Wishes, routing: model.Routing) -> Wishes:
    return replace(wishes, cell=changed(wishes.cell, routing=routing))


KEYS: dict[str, Callable[[Wishes, str, str], Wishes]] = {
    "stations.NAME": _stations,
    "stations.NAME.speed": _station_speed,
    "stations.NAME.failures": _failures,
    "stations.NAME.repair": _repair,
    "handler.jaws": _jaws,
    "handler.speed": _handler_speed,
    "rack.places": _rack,
    "infeed.places": _infeed,
    "outfeed.NAME": _outfeed,
    "mix.NAME": _mix,
    "arrivals.every": _every,
    "routing.objective": _objective,
    "routing.look_ahead_steps": _look_ahead,
    "due.NAME": _due,
    "weight.NAME": _weight,
}
"""What can be changed. NAME is a station, a sorting or a part type."""


def _still_decidable(cell: model.Cell, name: str) -> None:
    """Refuse a cell that could not measure what it has to."""
    missing = list(_undecidable(cell))
    if missing:
        raise WrongWish(
            f"--what-if {name}: no program is left for {', '.join(missing)}; leave the part type out with mix.NAME=0 or keep the station"
        )


def _never_stuck(cell: model.Cell, name: str) -> None:
    """Refuse a cell in which one jaw could not part two pallets, or reference parts fill the rack, as ``pointsman check`` would."""
    staying = sum(part.reference is not None for part in cell.part_types)
    room = model.racks_for_parts(cell)
    if staying and room < 1:
        raise WrongWish(
            f"--what-if {name}: reference parts stay in {staying} of the rack places; add rack.places={staying + 1}"
        )
    parts = {part.part_type for part in cell.part_types if part.reference is None}
    pairs = {(p.part_type, p.station) for p in cell.programs if p.part_type in parts}
    several = len(pairs) > len({part_type for part_type, _ in pairs})
    fed = any(place.kind == "infeed" for place in cell.places)
    if cell.handler.jaws == 1 and fed and several and room < 1:
        raise WrongWish(
            f"--what-if {name}: one jaw needs a rack place between the visits of a pallet from an infeed; add rack.places=1"
        )


def _repairs_follow_failures(chosen: list[tuple[str, str]]) -> None:
    """Refuse a repair time of a station of which nobody says that it fails: nothing would come of it."""
    keys = [key for key, _ in chosen]
    for key in keys:
        station, _, what = key.rpartition(".")
        failing = f"{station}.failures"
        if station.startswith("stations.") and what == "repair" and failing not in keys:
            raise WrongWish(
                f"--what-if {key}: expected how often it fails, too, else there is nothing to repair; add {failing}=PER_HOUR"
            )


def _objective_is_heard(routing: model.Routing, name: str) -> None:
    """Refuse an objective that would be ignored or lacks what it needs, as ``pointsman check`` would (``routing_checks``)."""
    for expected, remedy in _unheard(routing):
        raise WrongWish(f"--what-if {name}: expected {expected}; {remedy}")


def _unheard(routing: model.Routing) -> Iterator[tuple[str, str]]:
    """What was expected, and what to write."""
    objective = routing.objective
    if objective == "throughput":
        if routing.urgencies:
            pressing = ", ".join(each.part_type for each in routing.urgencies)
            yield (
                f"another objective than throughput, as {pressing} is to press",
                "add routing.objective=due_times or routing.objective=priority_classes",
            )
        return
    if not routing.urgencies:
        what = "due.NAME=MINUTES" if objective == "due_times" else "weight.NAME=WEIGHT"
        yield f"a part type that presses, as the objective is {objective}", f"add {what}"
    for each in routing.urgencies:
        due = f"due.{each.part_type}"
        if objective == "due_times" and not each.due_ms:
            yield f"when {each.part_type} is due", f"add {due}=MINUTES"
        if objective == "priority_classes" and each.due_ms:
            yield (
                "no due time, as the objective is priority_classes",
                f"leave out {due}, or write routing.objective=due_times",
            )
    if not routing.look_ahead_steps:
        yield (
            f"look-ahead, as the simple rule knows no {objective}",
            "add routing.look_ahead_steps=1000, or write routing.objective=throughput",
        )


def _undecidable(cell: model.Cell) -> Iterator[str]:
    for part in cell.part_types:
        programs = [each for each in cell.programs if each.part_type == part.part_type]
        for characteristic in part.plan:
            covered = any(
                cover.number == characteristic.number and cover.decides(characteristic.required_u)
                for program in programs
                for cover in program.covers
            )
            if characteristic.need == "mandatory" and not covered:
                yield f"{part.part_type} {characteristic.number}"
