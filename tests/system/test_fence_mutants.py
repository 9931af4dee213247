"""Each check that keeps a second or a sleeping driver from doing harm is taken out of a copy of the code; a named test must notice."""

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

pytestmark = [pytest.mark.system, pytest.mark.timeout(120)]

PERMIT = "tests/unit/shell/test_permit.py"
STANDBY = "tests/integration/store/test_standby.py"
HANDLER = "tests/unit/simulators/test_handler.py"


@dataclass(frozen=True)
class Mutant:
    """What is taken out, and the test that must fail then."""

    name: str
    file: str
    old: str
    new: str
    caught_by: str


MUTANTS = (
    Mutant(
        "a write does not ask the permit",
        "supervisor/stations/wire.py",
        "self._permit.check()\n        return await self._bounded(self._session.write",
        "return await self._bounded(self._session.write",
        f"{PERMIT}::test_no_bytes_leave_without_it[write]",
    ),
    Mutant(
        "a call does not ask the permit",
        "supervisor/stations/wire.py",
        "self._permit.check()\n        return await self.ask",
        "return await self.ask",
        f"{PERMIT}::test_no_bytes_leave_without_it[call]",
    ),
    Mutant(
        "the journal takes entries of any fence",
        "supervisor/store/database.py",
        "WHERE (SELECT fence FROM meta) = {0}",
        "WHERE {0} > 0",
        f"{STANDBY}::test_a_standby_takes_over_when_the_lease_ran_out_and_the_old_driver_can_do_nothing[sqlite]",
    ),
    Mutant(
        "anybody renews the lease",
        "supervisor/store/lease.py",
        "beat = beat + 1 WHERE fence = :fence",
        "beat = beat + 1 WHERE :fence > 0",
        f"{STANDBY}::test_a_standby_takes_over_when_the_lease_ran_out_and_the_old_driver_can_do_nothing[sqlite]",
    ),
    Mutant(
        "a driver that woke up is taken over all the same",
        "supervisor/store/lease.py",
        "LEASE.c.fence == seen.fence, LEASE.c.beat == seen.beat",
        "LEASE.c.fence == seen.fence",
        f"{STANDBY}::test_a_driver_that_wakes_up_in_the_last_moment_keeps_the_cell[sqlite]",
    ),
    Mutant(
        "a standby waits for half a lease",
        "supervisor/store/lease.py",
        "self._since_s >= seen.length_s",
        "self._since_s >= seen.length_s / 2",
        "tests/unit/store/test_lease.py::test_a_cell_is_free_after_a_whole_lease_without_a_renewal",
    ),
    Mutant(
        "the fence does not grow",
        "supervisor/store/lease.py",
        "max(seen.fence, recorded, fence_above) + 1",
        "max(seen.fence, recorded, fence_above, 1)",
        "tests/integration/store/test_taking_the_cell.py::test_the_fence_grows_with_every_taking[sqlite]",
    ),
    Mutant(
        "a lease counts from when it was granted",
        "supervisor/shell/permit.py",
        "            self._until_s = begun_s + self._lease.length_s\n            self._say",
        "            self._until_s = self._now_s() + self._lease.length_s\n            self._say",
        f"{PERMIT}::test_a_lease_counts_from_before_it_was_asked_for",
    ),
    Mutant(
        "a step that cannot decide tells machines to go on",
        "supervisor/shell/runtime.py",
        "self._wiring.pulse.stalled()",
        "self._wiring.pulse.turned()",
        f"{PERMIT}::test_a_step_whose_journal_refuses_does_not_turn",
    ),
    Mutant(
        "the handler takes orders with a lower fence",
        "simulators/models/handler.py",
        '        if fence < self._fence:\n            return f"fence {fence} is lower than {self._fence}"\n',
        "",
        f"{HANDLER}::test_a_lower_fence_than_the_highest_seen_changes_nothing",
    ),
    Mutant(
        "the arm moves without permit",
        "simulators/models/handler.py",
        'WAITING_STEPS = ("travel", "enter")',
        "WAITING_STEPS = ()",
        f"{HANDLER}::test_a_permit_that_runs_out_keeps_the_arm_out_of_the_station_until_it_is_renewed",
    ),
)


@pytest.fixture(scope="module")
def copied(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the code that may be spoiled."""
    copy = tmp_path_factory.mktemp("mutants") / "code"
    skipped = shutil.ignore_patterns("__pycache__")
    for name in ("supervisor", "simulators", "tests"):
        shutil.copytree(repository / name, copy / name, ignore=skipped)
    shutil.copy(repository / "pyproject.toml", copy)
    return copy


def passes(copy: Path, test: str) -> bool:
    """Whether a test passes on the copy; it has to be found there."""
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", test],
        cwd=copy, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert ran.returncode in (0, 1), ran.stdout[-2000:] + ran.stderr[-2000:]
    return ran.returncode == 0


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: mutant.name)
def test_a_check_that_is_taken_out_is_missed(copied, mutant):
    path = copied / mutant.file
    whole = path.read_text(encoding="utf-8")
    assert whole.count(mutant.old) == 1, "this check has moved: mend the mutant"
    path.write_text(whole.replace(mutant.old, mutant.new), encoding="utf-8")
    try:
        assert not passes(copied, mutant.caught_by)
    finally:
        path.write_text(whole, encoding="utf-8")


def test_the_copy_passes_as_it_is(copied):
    """Otherwise a mutant could be caught by nothing but a broken copy."""
    assert passes(copied, PERMIT)
    assert passes(copied, HANDLER)
