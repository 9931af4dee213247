"""What the rules of pallets and runs have to know of the gauge study that goes on.

Rules of this file: looked up and counted, nothing decided; what follows is worked out in ``gauge``. It names no other rules, so that they
all may name it.
"""

from supervisor.cell.value import replace
from supervisor.core.draft import Draft
from supervisor.core.state import CellState, PalletState, Run
from supervisor.process.gauge_study import GaugeStudy, Reading, in_visit
from supervisor.verdict.result import StationResult

QUIET_MS_MAX = 4 * 3_600_000
"""How long a study goes on without a new result (S11); a cell may be paused over a break, not over a night (our choice)."""


def running(state: Draft | CellState) -> GaugeStudy | None:
    """The study that goes on, or None."""
    last = state.studies[-1] if state.studies else None
    return last if last is not None and not last.end else None


def study_of(draft: Draft, pallet: str) -> str:
    """The study that a pallet is in now, or ""."""
    study = running(draft)
    return study.study if study is not None and pallet in study.pallets else ""


def change(draft: Draft, study: GaugeStudy) -> None:
    """Put the newest study into the state as it is now."""
    draft.studies = (*draft.studies[:-1], study)


def wants_another(draft: Draft, pallet: PalletState, run: Run) -> bool:
    """Whether a run of the study is not the last one of its loading: the pallet stays where it is then."""
    study = running(draft)
    if study is None or run.study != study.study or pallet.place != study.station:
        return False
    return in_visit(study, pallet.pallet, pallet.visits) + 1 < study.repeats


def knows_result(draft: Draft, station: str, result_id: str) -> bool:
    """Whether a result was taken into one of the kept studies."""
    return any(
        reading.result.station == station and reading.result.result_id == result_id
        for study in draft.studies
        for reading in study.readings
    )


def add_reading(draft: Draft, run: Run, result: StationResult) -> bool:
    """Take the result of a run into its study; False if that is over."""
    study = running(draft)
    pallet = draft.pallets.get(run.pallet)
    if study is None or study.study != run.study or pallet is None:
        return False
    reading = Reading(pallet=run.pallet, serial=run.serial, visit=pallet.visits, result=result)
    change(draft, replace(study, readings=(*study.readings, reading)))
    await_result(draft, study)
    return True


def await_result(draft: Draft, study: GaugeStudy) -> None:
    """Wait for the study's next result, up to the limit."""
    why = f"gauge study {study.study} should have a new result"
    draft.start_timer(f"study of {study.station}", QUIET_MS_MAX, why)


def count_lost(draft: Draft, run: Run) -> None:
    """A run of a study ended without a result."""
    study = running(draft)
    if study is not None and study.study == run.study:
        change(draft, replace(study, lost=study.lost + 1))


def give_up(draft: Draft, run: Run, why: str) -> None:
    """The study of a run cannot go on, for this reason."""
    study = running(draft)
    if study is not None and study.study == run.study:
        change(draft, replace(study, why=why))
