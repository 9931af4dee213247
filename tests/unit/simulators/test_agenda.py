from simulators.models.agenda import Agenda


def test_one_long_advance_gives_the_same_as_many_short_ones():
    def run(times_ms):
        agenda, seen = Agenda(), []

        def first():
            seen.append(("first", agenda.now_ms))
            agenda.plan("second", 30, lambda: seen.append(("second", agenda.now_ms)))

        agenda.plan("first", 100, first)
        for now_ms in times_ms:
            agenda.advance(now_ms)
        return seen

    assert run([1_000]) == run(range(1, 1_001, 7)) == [("first", 100), ("second", 130)]


def test_of_two_things_due_at_once_the_one_planned_first_happens_first():
    agenda, seen = Agenda(), []
    agenda.plan("b", 5, lambda: seen.append("b"))
    agenda.plan("a", 5, lambda: seen.append("a"))
    agenda.advance(5)
    assert seen == ["b", "a"]


def test_planning_a_name_again_replaces_it():
    agenda, seen = Agenda(), []
    agenda.plan("x", 5, lambda: seen.append("old"))
    agenda.plan("x", 9, lambda: seen.append("new"))
    assert agenda.due_ms() == 9
    agenda.advance(20)
    assert seen == ["new"]


def test_a_suspended_entry_keeps_the_time_it_had_left():
    agenda, seen = Agenda(), []
    agenda.plan("x", 100, lambda: seen.append(agenda.now_ms))
    agenda.advance(40)
    agenda.suspend("x")
    agenda.advance(1_000)
    assert (seen, agenda.due_ms(), agenda.left_ms("x")) == ([], None, 60)
    agenda.resume("x")
    agenda.advance(2_000)
    assert seen == [1_060]


def test_time_never_goes_back():
    agenda = Agenda()
    agenda.advance(50)
    agenda.advance(10)
    assert agenda.now_ms == 50
