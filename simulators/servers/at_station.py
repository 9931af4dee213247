"""Act at a simulated station as a person would: ``python -m simulators.servers.at_station --plan PLAN --station NAME ACT``.

Rules of this file:
- It is made for `pointsman walk --act`, which calls it with one act and says in the environment where the station is and what part it wants.
- Parts are put and taken on the floor of the simulated cell, switches are thrown at the station's bench panel.
- 0 done, 1 it cannot be done, 2 the input is wrong.
"""

import argparse
import asyncio
import logging
import os
import sys
import time
from pathlib import Path

from simulators.models import physics as physics_file
from simulators.models.physics import Physics, PhysicsError
from simulators.servers import seat
from simulators.servers.by_hand import NoSuchSwitch, throw
from simulators.servers.floor_file import FloorError, FloorFile
from simulators.servers.seat import PlanError

URL, PART_TYPE = "POINTSMAN_WALK_URL", "POINTSMAN_WALK_PART_TYPE"
SWITCHES = {
    "manual": ("Manual", "true"),
    "automatic": ("Manual", "false"),
    "cut-connection": ("Offline", "2"),
    "bad-quality": ("BadQuality", "true"),
    "good-quality": ("BadQuality", "false"),
}
PART_S_MAX = 20.0
"""How long to wait for a pallet to come into the rack, in real seconds."""


def main() -> int:
    """Do one act."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plan", type=Path, required=True, help="the plan of the simulated cell")
    parser.add_argument("--station", required=True)
    parser.add_argument("act")
    given = parser.parse_args()
    logging.getLogger("asyncua").setLevel(logging.CRITICAL)
    try:
        return 0 if _do(given.act, given.plan, given.station) else 1
    except (PhysicsError, PlanError, FloorError, NoSuchSwitch, OSError, KeyError) as error:
        sys.stderr.write(f"{given.act}: {error}\n")
        return 2


def _do(act: str, plan: Path, station: str) -> bool:
    if act in SWITCHES:
        asyncio.run(throw(os.environ[URL], *SWITCHES[act]))
        return True
    if act == "restore-connection":
        return True  # the server comes back by itself
    found = seat.load(plan)
    physics = physics_file.load(found.physics)
    floor = FloorFile(found.floor, physics, member=f"hand-{os.getpid()}")
    try:
        if act == "place-part":
            return _place(floor, physics, station)
        return act == "remove-part" and _remove(floor, physics, station)
    finally:
        floor.close()


def _place(floor: FloorFile, physics: Physics, station: str) -> bool:
    """Carry a pallet with a part of the wanted type from the rack into the nest, once one has come."""
    wanted = {p.pallet for p in physics.pallets if p.part_type == os.environ[PART_TYPE]}
    until_s = time.monotonic() + PART_S_MAX
    while time.monotonic() < until_s:
        for place in physics.places:
            if floor.pallet_at(place.place) in wanted:
                return floor.move(place.place, station) == ""
        time.sleep(0.05)
    return False


def _remove(floor: FloorFile, physics: Physics, station: str) -> bool:
    return any(floor.move(station, place.place) == "" for place in physics.places)


if __name__ == "__main__":
    sys.exit(main())
