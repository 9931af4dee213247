"""The sample cell of these tests, and machines of it on a floor in memory."""

from pathlib import Path

import pytest

from simulators.models import physics as physics_file
from simulators.models.cell import floor_in_memory, station_model
from simulators.models.handler import HandlerModel
from simulators.models.part import Parts


@pytest.fixture(scope="session")
def physics():
    return physics_file.load(Path(__file__).parent / "physics.json")


@pytest.fixture
def floor(physics):
    return floor_in_memory(physics)


@pytest.fixture
def parts(physics):
    return Parts(physics, seed=7)


@pytest.fixture
def scan(physics, floor, parts):
    return station_model(physics, "scan-1", floor=floor, parts=parts)


@pytest.fixture
def touch(physics, floor, parts):
    return station_model(physics, "touch-1", floor=floor, parts=parts)


@pytest.fixture
def ct(physics, floor, parts):
    return station_model(physics, "ct-1", floor=floor, parts=parts)


@pytest.fixture
def handler(physics, floor):
    return HandlerModel(physics, floor=floor)
