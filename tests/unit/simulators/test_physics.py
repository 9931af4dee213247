import json
from pathlib import Path

import pytest

from simulators.models import physics as physics_file
from simulators.models.physics import PhysicsError

SAMPLE = json.loads((Path(__file__).parent / "physics.json").read_text())


def changed(**fields):
    return json.dumps({**SAMPLE, **fields}).encode()


def problems(text):
    with pytest.raises(PhysicsError) as caught:
        physics_file.parse(text, source="cell.json")
    return str(caught.value)


def test_a_physics_file_survives_writing_and_reading(physics):
    assert physics_file.parse(physics_file.dump(physics), source="again") == physics


def test_a_field_of_the_wrong_type_is_named_with_its_path():
    stations = [{**SAMPLE["stations"][0], "at_mm": "far"}]
    text = problems(changed(stations=stations))
    assert "cell.json" in text
    assert "`int`" in text
    assert "$.stations[0].at_mm" in text


def test_every_dangling_reference_is_named_in_one_go():
    programs = [
        {**SAMPLE["programs"][0], "station": "scan-9"},
        {**SAMPLE["programs"][1], "part_type": "gear"},
    ]
    text = problems(changed(programs=programs))
    assert "$.programs[0].station: expected a station of this file, found 'scan-9'" in text
    assert "$.programs[1].part_type: expected a part type of this file, found 'gear'" in text


def test_a_tactile_station_cannot_give_an_angle():
    programs = [{**SAMPLE["programs"][3], "covers": [{"number": "3", "expanded_u": 0.02, "k": 2}]}]
    assert "a tactile station gives mm only; found 'deg'" in problems(changed(programs=programs))


def test_a_double_id_is_named():
    pallets = [SAMPLE["pallets"][0]] * 4
    assert "$.pallets: expected each id once" in problems(changed(pallets=pallets))


def test_arrivals_must_be_as_many_as_pallets():
    assert "expected one time per pallet (4), found 1" in problems(
        changed(operator={"arrivals_ms": [0], "take_after_ms": 1})
    )


def test_a_tag_that_cannot_be_written_is_found_before_anything_starts():
    pallets = [{**SAMPLE["pallets"][0], "serial": "007"}, *SAMPLE["pallets"][1:]]
    assert "$.pallets[0]: serial '007': expected decimal digits without leading zeros" in problems(
        changed(pallets=pallets)
    )
