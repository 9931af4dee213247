"""What a gauge study says, against the truth of the modelled station: the spread of a run is 0.8 of its declared standard uncertainty."""

import math

import pytest
from scipy import stats

from simulators.bench.gauge.play import Wanted, WrongStudy, play
from simulators.bench.scenarios import small_cell
from supervisor.cell.value import replace
from supervisor.process.gauge_result import found_in
from supervisor.report.gauge import plain_study, study_text

NOISE = 0.8
"""simulators/models/measurement.py: the noise of a run has 0.8 of the standard uncertainty, its bias 0.6."""
FAR = 1e-4
"""How improbable chance has to be before a difference is one."""


@pytest.fixture(scope="module")
def many():
    return studied(parts=6, loadings=3, repeats=4)


@pytest.fixture(scope="module")
def one():
    return studied(parts=1, loadings=50, repeats=1)


def studied(**wishes):
    cell = small_cell(jaws=2)
    wanted = Wanted(cell=cell, program="cam-ring@scan-1", seed=5, **wishes)
    study, world = play(wanted)
    assert study.end == "complete"
    return study, world.core.tables.plans[study.part_type], world


def within(found_sd, true_sd, dof):
    """Whether a standard deviation is what chance makes of the true one."""
    low, high = stats.chi2.ppf([FAR, 1 - FAR], dof)
    return low <= dof * found_sd**2 / true_sd**2 <= high


def unfolded(found):
    """Those whose values are not folded at zero by their nature: only these have the stated spread."""
    return [each for each in found if each.characteristic.nominal != 0]


def test_repeatability_is_that_of_the_modelled_station(many):
    study, table, _ = many
    found = unfolded(found_in(study, table))
    assert found
    for each in found:
        true = NOISE * each.declared_u
        runs = [run for part in each.values for loading in part for run in loading]
        assert len(runs) == study.runs
        inside = math.sqrt(
            sum(
                stats.tvar(loading) * (len(loading) - 1) for part in each.values for loading in part
            )
            / (6 * 3 * 3)
        )
        assert within(inside, true, 6 * 3 * 3)
        assert each.anova.gauge == pytest.approx(true, rel=0.6), "the model clamps without error"
        assert each.ranges.repeatability == pytest.approx(each.anova.repeatability, rel=0.35)


def test_the_bias_of_a_study_of_type_one_is_the_modelled_one(one):
    study, table, world = one
    (pallet,) = world.physics.pallets
    truth = world.models.parts.truth(pallet.part_type, pallet.serial)
    for each in unfolded(found_in(study, table)):
        assert within(each.type_one.sd, NOISE * each.declared_u, 49)
        values = [run for loading in each.values[0] for run in loading]
        t, _ = stats.ttest_1samp(values, truth[each.characteristic.number])
        assert each.type_one.t == pytest.approx(t)
        # a rectangular bias of standard deviation 0.6 u reaches to sqrt(3) of that; its mean over 50 runs strays a little further
        assert abs(each.type_one.bias) < (math.sqrt(3) * 0.6 + 4 * NOISE / 7) * each.declared_u


def test_without_calibrated_values_the_bias_is_not_judged(one):
    study, table, _ = one
    for each in found_in(replace(study, references=()), table):
        assert each.rating in ("conditional", "not capable")
    plain = plain_study(replace(study, references=()), table)
    assert all(each["type_one"]["cgk"] is None for each in plain["characteristics"])
    assert all(each["type_one"]["bias"] is None for each in plain["characteristics"])


def test_a_loading_that_was_cut_short_counts_for_nothing(many):
    study, table, _ = many
    last = study.readings[-1]
    short = replace(study, readings=study.readings[:-1])

    found = found_in(short, table)

    assert {len(part) for part in found[0].values} == {2}, "the loadings that every part has"
    assert last.result.run_id not in {reading.result.run_id for reading in short.readings}


def test_a_value_that_is_missing_is_said_and_nothing_is_worked_out(many):
    study, table, _ = many
    first = study.readings[0]
    spoilt = tuple(replace(v, value=None, quality="bad") for v in first.result.values)
    broken = replace(first, result=replace(first.result, values=spoilt))

    for each in found_in(replace(study, readings=(broken, *study.readings[1:])), table):
        assert each.rating == "not rated"
        assert each.why == f"run {first.result.run_id}: its quality is bad"
        assert each.anova is None


def test_a_study_without_one_whole_loading_says_so(many):
    study, table, _ = many
    for each in found_in(replace(study, readings=study.readings[:3]), table):
        assert (each.rating, each.why) == ("not rated", "no loading of every part is whole")


def test_one_run_in_each_loading_gives_repeatability_alone():
    study, table, _ = studied(parts=4, loadings=5, repeats=1)
    for each in unfolded(found_in(study, table)):
        assert each.anova.reproducibility == 0.0
        assert within(each.anova.repeatability, NOISE * each.declared_u, 4 * 4)


def test_the_text_says_the_end_and_every_characteristic(many):
    study, table, _ = many
    text = study_text(plain_study(study, table))
    assert text.startswith(f"{study.study}: cam-ring@scan-1 at scan-1, 6 x cam-ring")
    assert "72 of 72 runs" in text
    for each in found_in(study, table):
        assert each.characteristic.name[:29] in text


def test_more_parts_than_the_rack_has_places_are_refused_in_words():
    with pytest.raises(WrongStudy, match="13 parts: the rack has 12 places"):
        studied(parts=13, loadings=1, repeats=2)
    with pytest.raises(WrongStudy, match="expected one of cam-ring@scan-1"):
        play(Wanted(cell=small_cell(jaws=2), program="x", parts=1, loadings=1, repeats=2, seed=1))
