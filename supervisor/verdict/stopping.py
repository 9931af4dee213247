"""Where measuring a part ends before everything is measured, because its plan says so and the part is proven nonconforming.

Rules of this file:
- Only by opt-in: the part type says ``measure: until_nonconforming``. Everything is measured otherwise.
- Proven is what the record would say: the value that decides lies in the nonconformity zone of the decision rule, its uncertainty
  included, and nothing more is wanted for it. A doubtful value, a size still missing for a bonus or half of a mean end nothing. Half of
  a mean does where nobody may be asked for the other half any more: that value decides then.
- Only a mandatory characteristic ends anything: an informative one changes no verdict.
"""

from collections.abc import Mapping, Sequence

from supervisor.cell.model import Characteristic
from supervisor.verdict.asking import wanted_for_mean
from supervisor.verdict.averaging import mean_of
from supervisor.verdict.judging import applied, verdict_of
from supervisor.verdict.plan_table import PlanTable
from supervisor.verdict.weighing import Weighed, precedence


def ended_by(
    table: PlanTable, weighed: Mapping[str, Sequence[Weighed]], runs: Mapping[str, int]
) -> Characteristic | None:
    """The first characteristic of the plan that ends the measuring of a part with these values; None where nothing does. ``runs`` by program, see ``asking``."""
    if table.part_type.measure == "everything":
        return None
    for characteristic in table.part_type.plan:
        values = sorted(weighed.get(characteristic.number, ()), key=precedence)
        wanted = wanted_for_mean(table, characteristic, values, runs)
        if characteristic.need != "mandatory" or wanted:
            continue
        if _is_bad(table, characteristic, values, weighed):
            return characteristic
    return None


def _is_bad(
    table: PlanTable,
    characteristic: Characteristic,
    values: Sequence[Weighed],
    weighed: Mapping[str, Sequence[Weighed]],
) -> bool:
    if not values or not values[0].may_decide:
        return False
    mean = mean_of(table, characteristic, values)
    judged = mean.judged if mean else verdict_of(values[0], applied(table, values[0], weighed))
    return judged.verdict == "nonconforming"
