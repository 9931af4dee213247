"""From the entries of a reference part to what the core knows of it.

Rules of this file: what is left out is spelled out here, so that nobody has to know later what "all characteristics" meant.
"""

from collections.abc import Mapping

from supervisor.cell.model import CheckRule, Reference, ReferenceValue, Vouched
from supervisor.cell.reading_order import reading_order
from supervisor.cell.schema import CheckEntry, ReferenceEntry, ReferenceValueEntry

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


def reference_of(entry: ReferenceEntry, plans: Mapping[str, tuple[str, ...]]) -> Reference:
    """The reference part of an entry that was checked; ``plans`` are the numbers of each part type."""
    return Reference(
        serial=entry.serial,
        certificate=entry.certificate,
        due=entry.due,
        values=tuple(
            sorted(
                (_value(each, plans) for each in entry.values),
                key=lambda v: reading_order(v.number),
            )
        ),
        checks=tuple(sorted(map(_check, entry.checks), key=lambda check: check.station)),
    )


def _value(entry: ReferenceValueEntry, plans: Mapping[str, tuple[str, ...]]) -> ReferenceValue:
    vouched = {
        (each.part_type, number)
        for each in entry.vouches_for
        for number in each.characteristics or plans[each.part_type]
    }
    return ReferenceValue(
        number=entry.number,
        value=entry.value,
        expanded_u=entry.u,
        k=entry.k,
        limit=entry.limit,
        vouches_for=tuple(
            Vouched(part_type=part_type, number=number) for part_type, number in sorted(vouched)
        ),
    )


def _check(entry: CheckEntry) -> CheckRule:
    return CheckRule(
        station=entry.station,
        every_ms=(entry.every_h or 0) * HOUR_MS,
        every_runs=entry.every_runs or 0,
        after=tuple(sorted(set(entry.after))),
        kelvin=entry.kelvin,
        grace_ms=entry.grace_min * MINUTE_MS,
        runs_to_fail=entry.runs_to_fail,
    )
