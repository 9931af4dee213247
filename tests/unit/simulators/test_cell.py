from simulators.models.cell import CellModels, floor_in_memory


def one_visit(physics, seed, *, step_ms):
    """Carry one pump body to the scanner and back, the way a careful person would by hand."""
    floor = floor_in_memory(physics)
    cell = CellModels(physics, floor=floor, seed=seed)
    station = cell.stations["scan-1"]

    def until(done):
        now_ms = 0
        while not done():
            now_ms += step_ms
            cell.advance(now_ms)
            assert now_ms < 1_000_000

    def carried(order, action, place, pick_jaw, put_jaw):
        cell.handler.execute(order, action, place, pick_jaw, put_jaw)
        until(lambda: cell.handler.image().phase in {"done", "failed"})

    cell.advance(0)
    home = next(place for place in ("rack-01", "rack-02", "rack-03") if floor.pallet_at(place))
    pallet = physics.pallet[floor.pallet_at(home)]
    program = {"pump-body": "BODY-SKIN", "cam-ring": "RING-CONTOUR"}[pallet.part_type]
    station.drive_door("open")
    station.prepare(program, "A")
    carried(1, "pick", home, 1, 0)
    until(lambda: station.image().door == "open")
    carried(2, "put", "scan-1", 0, 1)
    station.drive_door("closed")
    until(lambda: station.image().door == "closed")
    assert station.start("R1", pallet.serial, program).status == "ok"
    until(lambda: station.image().work == "finished")
    return floor, station.image()


def test_a_careful_visit_violates_nothing_and_measures_the_right_part(physics):
    floor, image = one_visit(physics, 7, step_ms=50)
    assert floor.violations == []
    assert image.result.serial == image.serial


def test_the_same_seed_gives_the_same_visit_however_time_is_sliced(physics):
    floor, image = one_visit(physics, 7, step_ms=50)
    again, same = one_visit(physics, 7, step_ms=50)
    _, coarse = one_visit(physics, 7, step_ms=1_000)
    assert (image, floor.witnessed) == (same, again.witnessed)
    assert image.result == coarse.result
