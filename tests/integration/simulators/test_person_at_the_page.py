"""What the person at the page does about a pallet that nothing takes: a real floor, and a page that says what it is told to."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from simulators.bench import person_at_the_page
from simulators.bench.person_at_the_page import PersonAtThePage
from simulators.bench.run import RunFailed
from simulators.bench.staging import Wishes, prepare
from simulators.models import physics as physics_file
from simulators.servers import floor_file
from tests.integration.simulators.asking_page import PALLET, STATION, AskingPage

pytestmark = pytest.mark.integration


@pytest.fixture
def asked(tmp_path, repository, monkeypatch):
    """Makes a person before a page with a question, and a floor where the pallet is in the first jaw."""
    monkeypatch.setattr(person_at_the_page, "AGAIN_S", 0.0)
    stage = prepare(
        Wishes(cell=repository / "deploy/cells/vane-pumps", pallets=1, seed=1, speed=60.0), tmp_path
    )
    physics = physics_file.load(stage.folder / "physics.json")
    floor_file.create(stage.floor, physics, speed=60.0)
    people = []

    def make(code="pallet-stranded"):
        page = AskingPage(code)
        page.place = physics.jaws[0]
        page.racks = [place.place for place in physics.places if place.kind == "rack"]
        person = PersonAtThePage(SimpleNamespace(watch=page, post=page.post), stage)
        person.floor.set_down(page.place, PALLET)
        people.append(person)
        return person, page

    yield make
    for person in people:
        person.close()
    floor_file.remove(stage.floor)


def looks(person, times):
    for _ in range(times):
        person.look()


def test_it_waits_at_first_and_then_carries_the_pallet_to_a_rack_place_that_is_nobodys_home(asked):
    person, page = asked()
    page.kept = {page.racks[0]: "grai:0614141.00001.2"}
    looks(person, person_at_the_page.TRIES_MAX)
    assert page.answers == []
    assert person.floor.pallet_at(page.place) == PALLET
    looks(person, 1)
    assert page.answers == [("1", "removed")]
    assert person.floor.pallet_at(page.racks[1]) == PALLET


def test_it_waits_on_while_every_rack_place_is_somebodys_home(asked):
    person, page = asked()
    page.kept = dict.fromkeys(page.racks, "grai:0614141.00001.2")
    looks(person, 10)
    assert (page.answers, person.floor.pallet_at(page.place)) == ([], PALLET)
    page.kept = {}
    looks(person, 1)
    assert (page.answers, person.floor.pallet_at(page.racks[0])) == ([("1", "removed")], PALLET)


def test_it_does_not_reach_in_while_the_arm_is_in_a_station(asked):
    person, page = asked()
    with person.floor.exclusive():
        person.floor.write_arm(replace(person.floor.read_arm(), inside=STATION))
    looks(person, 10)
    assert (page.answers, person.floor.pallet_at(page.place)) == ([], PALLET)
    person.floor.leave()
    looks(person, 1)
    assert page.answers == [("1", "removed")]


def test_a_pallet_that_is_not_there_any_more_is_said_to_be_out(asked):
    person, page = asked()
    person.floor.lift(page.place)
    looks(person, 1)
    assert page.answers == [("1", "removed")]


def test_a_question_that_it_knows_nothing_about_is_named(asked):
    person, _ = asked("never heard of")
    with pytest.raises(RunFailed, match="nobody knows what to do about never heard of: so it is"):
        person.look()
