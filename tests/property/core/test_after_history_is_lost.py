"""A supervisor that drives on from an old journal while the world has moved on: nothing is started twice, nothing is mixed up.

The world is judged by the machines' own account (violations, runs begun, what was witnessed), never by what the core believes.
"""

from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.bench.trial import DAY_MS, small_world, troubles
from supervisor.core.events import CellOrdered, HistoryLost, HoldReleased
from supervisor.core.numbers import LOST_ORDERS_MAX, NUMBERS, first_number, numbers_apart
from supervisor.shell.fold import Fold
from supervisor.shell.ports import SCHEMA, JournalEntry

pytestmark = pytest.mark.property

MINUTE_MS = 60_000
LOST = HistoryLost(
    by="M. Weaver", why="disk broke", seen="a backup", lost_from=1, lost_to=0, orphans=()
)


def entries_in(count):
    return lambda world: len(world.journal.entries) >= count


def told(world):
    """The state that the journal gives."""
    fold = Fold(lambda _: world.core)
    for entry in world.journal.entries:
        fold.take(entry.event, entry.at_ms)
    return fold.state


def lose(cut, lost, *, pallets=4, seed=7):
    """A world whose supervisor knows the journal up to about ``cut`` entries, and nothing of about ``lost`` more."""
    world = small_world(pallets=pallets, seed=seed)
    world.run(world.now_ms + DAY_MS, done=entries_in(cut))
    kept = list(world.journal.entries)
    world.run(world.now_ms + DAY_MS, done=entries_in(len(kept) + lost))
    world.die()
    world.run(world.now_ms + 10 * MINUTE_MS)
    begun = set(world.starts)
    world.journal.entries = kept
    entry = JournalEntry(
        seq=len(kept) + 1, at_ms=world.cell_ms(), schema=SCHEMA, event=LOST, commands=()
    )
    world.journal.append([entry])
    world.state = told(world)  # what the supervisor knew beyond is lost with the entries
    world.revive()
    return SimpleNamespace(world=world, begun=begun)


def answer(world):
    """People do what the holds say: they take out what is in a nest or in the jaws, and put it into the rack."""
    for hold in list(world.state.holds.values()):
        places = {"nest-unknown": (hold.subject,), "jaw-unknown": world.physics.jaws}
        for place in places.get(hold.code, ()):
            if pallet := world.floor.lift(place):
                world.models.operator.bring(pallet, world.now_ms + MINUTE_MS)
        world.look()
        world.tell(HoldReleased(hold=hold.hold, answer=hold.answers[0], by="a person", place=""))


def finished(world):
    answer(world)
    return not (world.state.pallets or world.models.operator.waiting or world.state.holds)


@pytest.mark.hazard(5, 33)
@settings(max_examples=settings.default.max_examples // 2)
@given(cut=st.integers(5, 260), lost=st.integers(0, 200), seed=st.integers(1, 20))
def test_places_are_looked_at_again_nothing_is_started_twice_and_every_part_is_finished(
    cut, lost, seed
):
    after = lose(cut, lost, seed=seed)
    world = after.world
    world.run(world.now_ms + 20 * MINUTE_MS)
    assert world.state.want == "pause"
    assert set(world.starts) == after.begun  # paused: nothing has begun
    world.tell(CellOrdered(want="run", by="M. Weaver"))
    world.run(world.now_ms + 2 * DAY_MS, done=finished)
    assert troubles(world, parts=[]) == []  # among these: a run that was begun twice
    assert {record.serial for record in world.records} == {p.serial for p in world.physics.pallets}


@given(cut=st.integers(2, 260))
def test_the_loss_commands_nothing_and_leaves_a_sound_state(cut):
    """The entry is journalled while nobody drives the cell: a command of it would never be carried out."""
    world = small_world(pallets=4)
    world.run(world.now_ms + DAY_MS, done=entries_in(cut))
    decision = world.core.decide(world.state, LOST, world.cell_ms())
    assert (decision.commands, decision.choices) == ((), ())
    assert world.core.broken(decision.state) == ()
    blank = world.core.initial()
    assert decision.state.pallets == blank.pallets
    assert decision.state.stations == blank.stations


@settings(max_examples=300)
@given(given=st.integers(1, NUMBERS), at_ms=st.integers(0, 2**42))
def test_numbers_after_a_loss_keep_apart_from_all_that_may_have_been_given(given, at_ms):
    number = numbers_apart(given, at_ms)
    assert 0 < number <= NUMBERS < 2**32
    for known in (given - LOST_ORDERS_MAX // 2, given, given + LOST_ORDERS_MAX):
        assert (number - known) % NUMBERS != 0
    ahead = (number - given) % NUMBERS
    assert LOST_ORDERS_MAX < ahead < NUMBERS - LOST_ORDERS_MAX
    assert 0 < first_number(at_ms) <= NUMBERS
