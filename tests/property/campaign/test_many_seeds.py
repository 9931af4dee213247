"""Whole shifts of random cells with faults: nothing lost, nothing wrong, and the same again in any process."""

import json
import os
import re
import shlex
import subprocess
import sys

import pytest

from simulators.bench import campaign
from simulators.bench.campaign import command_of
from simulators.bench.faults import KINDS
from simulators.bench.shift import Case, run_case
from simulators.bench.tally import Tally, TallyError, joined, kept, read

pytestmark = pytest.mark.property

SEEDS = 200


def run(repository, *args, hash_seed="0"):
    """The campaign as a person runs it, in a process of its own."""
    env = {name: text for name, text in os.environ.items() if name != "POINTSMAN_FROZEN"}
    return subprocess.run(
        (sys.executable, "-m", "simulators.bench.campaign", "--jobs", "1", *args),
        cwd=repository,
        env={**env, "PYTHONHASHSEED": hash_seed},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.timeout(600)
def test_hundreds_of_seeds_break_nothing_and_every_kind_of_fault_hits(repository):
    done = run(repository, "--seeds", f"{SEEDS}")
    assert done.returncode == 0, done.stdout
    assert done.stderr == ""
    last = done.stdout.splitlines()[-1]
    assert f" {SEEDS} seeds, " in last
    assert last.endswith(", 0 violations")
    counts = {
        kind: int(n.replace(",", "")) for kind, n in re.findall(r"([a-z-]+) ([\d,]+)[,)]", last)
    }
    assert all(counts[kind] > 0 for kind in KINDS)
    assert sum(counts[kind] for kind in KINDS) > 100 * SEEDS


@pytest.mark.timeout(240)
def test_a_seed_ends_alike_in_another_process_under_another_hash_seed(repository, tmp_path):
    seeds = range(1, 7)
    for hash_seed in ("1", "4242"):
        done = run(
            repository, "--seeds", "6", "--keep", f"{tmp_path / hash_seed}", hash_seed=hash_seed
        )
        assert done.returncode == 0, done.stdout
    one, other = (json.loads((tmp_path / name).read_text()) for name in ("1", "4242"))
    assert one == other
    here = {seed: run_case(Case(seed=seed)).fingerprint for seed in seeds[:4]}
    assert {seed: read(tmp_path / "1").fingerprints[seed] for seed in here} == here


def test_different_seeds_end_differently():
    assert run_case(Case(seed=1)).fingerprint != run_case(Case(seed=2)).fingerprint


# --- what a person gets -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "case",
    [
        Case(seed=7),
        Case(seed=7, pallets=3, hours=0.1 + 0.2),
        Case(seed=7, faults={}),
        Case(seed=7, hours=1.0, faults={"door-jam": None, "crash": frozenset({5, 2})}),
    ],
)
def test_the_printed_command_repeats_the_case(case):
    words = shlex.split(command_of(case))
    given = dict(word.split("=", 1) for word in words[2:])
    assert words[:2] == ["make", "campaign"]
    args = [
        "--seeds",
        given["SEEDS"],
        "--first",
        given["FIRST"],
        *shlex.split(given.get("ARGS", "")),
    ]
    parsed = campaign._options().parse_args(args)
    faults = campaign.EVERYTHING if parsed.faults is None else campaign.parse_chosen(parsed.faults)
    assert case == Case(
        seed=parsed.first, pallets=parsed.pallets, hours=parsed.hours, faults=faults
    )


# --- counts of several runs -----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def outcomes():
    return [run_case(Case(seed=seed, pallets=2, hours=0.5)) for seed in (1, 2, 3)]


def tally_of(outcomes, commit="c1"):
    tally = Tally(commit=commit)
    for outcome in outcomes:
        tally.add(outcome)
    return tally


def test_counts_of_two_runs_are_those_of_one_long_run(tmp_path, outcomes):
    kept(tally_of(outcomes[:1]), tmp_path / "one")
    kept(tally_of(outcomes[1:]), tmp_path / "other")
    assert joined([tmp_path / "one", tmp_path / "other"]).summary() == tally_of(outcomes).summary()


def test_a_seed_counts_once(outcomes):
    with pytest.raises(TallyError, match="seed 2 is in two files"):
        tally_of(outcomes[:2]).join(tally_of(outcomes[1:]))


def test_counts_of_another_commit_are_refused(outcomes):
    with pytest.raises(TallyError, match="expected counts of commit c1, found c2"):
        tally_of(outcomes[:1]).join(tally_of(outcomes[1:], commit="c2"))


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"hits": 1}'])
def test_a_file_that_has_no_counts_is_refused_by_name(tmp_path, content):
    (tmp_path / "no tally").write_text(content)
    with pytest.raises(TallyError, match="no tally"):
        read(tmp_path / "no tally")


def test_a_run_goes_on_from_its_file(tmp_path, monkeypatch, capsys):
    file = tmp_path / "kept"
    ran = []
    monkeypatch.setattr(campaign, "commit", lambda: "c1")
    monkeypatch.setattr(campaign, "run_case", lambda case: ran.append(case.seed) or run_case(case))
    assert campaign._many([1, 2], 1, file) == 0
    assert campaign._many([1, 2, 3], 1, file) == 0
    assert ran == [1, 2, 3]
    assert " 3 seeds, " in capsys.readouterr().out.splitlines()[-1]
