"""From results to one record and one verdict: pure. Why it is done so: docs/explanation/verdict.md."""

from supervisor.verdict.asking import RUNS_WITHOUT_GOOD_VALUE_MAX
from supervisor.verdict.conformity import Judgement, Zones, judge, standard_uncertainty, zones
from supervisor.verdict.merge import Part, merge, sorting_of
from supervisor.verdict.plan_table import Ability, PlanTable
from supervisor.verdict.record import Evidence, Finding, Record, Verdict
from supervisor.verdict.result import MeasuredValue, Quality, StationResult
from supervisor.verdict.selection import (
    OpenCharacteristic,
    exhausted,
    still_open,
)

__all__ = [
    "RUNS_WITHOUT_GOOD_VALUE_MAX",
    "Ability",
    "Evidence",
    "Finding",
    "Judgement",
    "MeasuredValue",
    "OpenCharacteristic",
    "Part",
    "PlanTable",
    "Quality",
    "Record",
    "StationResult",
    "Verdict",
    "Zones",
    "exhausted",
    "judge",
    "merge",
    "sorting_of",
    "standard_uncertainty",
    "still_open",
    "zones",
]
