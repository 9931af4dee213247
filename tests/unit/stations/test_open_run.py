"""Which result was missed: that of a run which was at work, and of which the station shows nothing any more."""

from supervisor.stations.open_run import OpenRun


def test_a_run_that_was_at_work_and_is_gone_was_missed():
    run = OpenRun()
    run.look("R1", "S1", "running")
    assert run.missed("running") is None
    assert run.missed("finished") is None
    assert run.missed("idle") == ("R1", "S1")
    assert run.missed("prepared") == ("R1", "S1")


def test_nothing_is_missed_before_any_run_and_after_its_result():
    run = OpenRun()
    run.look("", "", "idle")
    assert run.missed("idle") is None
    run.look("R1", "S1", "part free")
    run.close()
    run.look("R1", "S1", "finished")
    assert run.missed("idle") is None


def test_an_aborted_run_gives_no_result_to_miss():
    run = OpenRun()
    run.look("R1", "S1", "running")
    run.look("R1", "S1", "aborted")
    assert run.missed("idle") is None


def test_a_start_counts_on_a_new_connection_only_as_the_image_of_the_old_one_lags():
    run = OpenRun()
    run.ordered("R2", "S2")
    assert run.missed("idle") is None
    run.reconnected()
    assert run.missed("idle") == ("R2", "S2")


def test_unknown_work_tells_nothing():
    run = OpenRun()
    run.look("R1", "S1", "running")
    run.look("", "", "unknown")
    assert run.missed("unknown") is None
    assert run.missed("idle") == ("R1", "S1")
