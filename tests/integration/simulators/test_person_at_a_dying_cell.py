"""What the person of the kills does about a pallet that nothing takes: a real floor, and a page that says what it is told to."""

from types import SimpleNamespace

import pytest

from simulators.bench.staging import Wishes, prepare
from simulators.models import physics as physics_file
from simulators.models.operator import WHO
from simulators.servers import floor_file
from simulators.servers.floor_file import FloorFile
from tests.integration.simulators.asking_page import PALLET, STATION, AskingPage
from tests.system.kills import person as person_file
from tests.system.kills.person import Person

pytestmark = pytest.mark.integration

SPEED = 60.0


@pytest.fixture
def asked(tmp_path, repository, monkeypatch):
    """A person before a page that asks about a pallet in the first jaw, the page, and the floor as the jaw feels it."""
    wishes = Wishes(cell=repository / "deploy/cells/vane-pumps", pallets=1, seed=1, speed=SPEED)
    stage = prepare(wishes, tmp_path)
    physics = physics_file.load(stage.folder / "physics.json")
    floor_file.create(stage.floor, physics, speed=SPEED)
    page = AskingPage("pallet-stranded")
    page.place = physics.jaws[0]
    page.racks = [place.place for place in physics.places if place.kind == "rack"]
    live = SimpleNamespace(post=page.post, throw=lambda *order: page.thrown.append(order))
    page.thrown = []
    floor = FloorFile(stage.floor, physics, member="operator")
    floor.set_down(page.place, PALLET)
    floor.witness(at_ms=0, who=WHO, fact={"fact": "brought", "pallet": PALLET, "target": "rack-01"})
    now_s = [0.0]
    monkeypatch.setattr(person_file.time, "monotonic", lambda: now_s[0])
    person = Person(SimpleNamespace(stage=stage, watch=page, live=live, speed=SPEED))

    def tends(after_s):
        """Looks at the page after so many seconds of the cell's time."""
        now_s[0] += after_s / SPEED
        person.tend()

    yield tends, page, floor
    floor.close()
    floor_file.remove(stage.floor)


def test_it_waits_at_first_and_then_takes_the_pallet_to_a_rack_place_that_is_nobodys_home(asked):
    tends, page, floor = asked
    page.kept = {page.racks[0]: "grai:0614141.00001.2"}
    tends(0)
    tends(person_file.PASSES_S - 1)
    assert (page.answers, floor.pallet_at(page.place)) == ([], PALLET)
    tends(1)
    assert page.answers == [("1", "removed")]
    assert floor.pallet_at(page.racks[1]) == PALLET
    assert [f["fact"] for f in floor.recall("person")] == ["put back"]


def test_it_waits_on_while_every_rack_place_is_somebodys_home(asked):
    tends, page, floor = asked
    page.kept = dict.fromkeys(page.racks, "grai:0614141.00001.2")
    tends(0)
    tends(10 * person_file.PASSES_S)
    assert (page.answers, floor.pallet_at(page.place)) == ([], PALLET)
    page.kept = {}
    tends(1)
    assert (page.answers, floor.pallet_at(page.racks[0])) == ([("1", "removed")], PALLET)


@pytest.mark.parametrize("moves", [{"phase": "busy"}, {"link": "down"}, {"inside": STATION}])
def test_it_does_not_reach_into_a_handler_that_moves_or_is_in_a_station(asked, moves):
    tends, page, floor = asked
    still, page.handler = page.handler, page.handler | moves
    tends(0)
    tends(person_file.PASSES_S)
    assert (page.answers, floor.pallet_at(page.place)) == ([], PALLET)
    assert bool(page.thrown) == ("inside" in moves)
    page.handler = still
    tends(1)
    assert page.answers == [("1", "removed")]


def test_a_pallet_that_is_not_there_any_more_is_said_to_be_out(asked):
    tends, page, floor = asked
    floor.lift(page.place)
    tends(0)
    assert page.answers == [("1", "removed")]
