"""Gauge studies over the interface, the page and the command line's live form."""

import pytest

from simulators.bench.gauge.play import Wanted, order_for, play, with_pallets
from supervisor.core.events import CellOrdered, GaugeStudyOrdered
from supervisor.report.gauge import plain_study, study_text

ADDRESS = "/api/v1/gauge-studies"


@pytest.fixture(scope="session")
def studied(past):
    """The example cell with two whole studies behind it: one of type 1, then one of three parts."""
    wanted = Wanted(
        cell=past.cell, program="pump-body-scan", parts=3, loadings=2, repeats=2, seed=11
    )
    _, world = play(wanted)
    world.tell(CellOrdered(want="pause", by="a person"))
    alone = order_for(wanted, world)
    world.tell(
        GaugeStudyOrdered(
            pallets=alone.pallets[:1],
            station=alone.station,
            program=alone.program,
            loadings=5,
            repeats=1,
            references=(),
            by="M. Weaver",
        )
    )
    world.tell(CellOrdered(want="run", by="a person"))
    world.run(world.now_ms + 24 * 3_600_000, done=lambda w: w.state.studies[-1].end != "")
    return type(past)(
        cell=past.cell, entries=tuple(world.journal.entries), state=world.state, serials=()
    )


@pytest.fixture(scope="session")
def waiting(past):
    """The example cell, paused, with four pump bodies in the rack and nothing measured."""
    world = with_pallets(
        Wanted(cell=past.cell, program="pump-body-scan", parts=4, loadings=2, repeats=2, seed=11)
    )
    return type(past)(
        cell=past.cell, entries=tuple(world.journal.entries), state=world.state, serials=()
    )


def an_order(state, **changes):
    return {
        "pallets": sorted(state.pallets),
        "station": "scan-1",
        "program": "pump-body-scan",
        "loadings": 2,
        "repeats": 2,
        "by": "M. Weaver",
        "request_id": "g-1",
        **changes,
    }


async def test_studies_are_listed_newest_first_and_say_what_the_bench_says(
    start_on, studied, tmp_path
):
    async with start_on(tmp_path, studied) as cell:
        lines = (await cell.client.get(ADDRESS)).json()
        assert [line["end"] for line in lines] == ["complete", "complete"]
        assert [line["runs"] for line in lines] == [5, 12]
        for line, study in zip(lines, reversed(studied.state.studies), strict=True):
            answer = (await cell.client.get(f"{ADDRESS}/{line['study']}")).json()
            table = cell.core.tables.plans["pump-body"]
            assert answer == plain_study(study, table)
            text = study_text(answer)
            assert f"{line['runs']} of {line['runs']} runs" in text


async def test_an_ordered_study_is_journalled_begun_and_can_be_stopped(start_on, waiting, tmp_path):
    async with start_on(tmp_path, waiting) as cell:
        answer = await cell.client.post(ADDRESS, json=an_order(cell.state()))
        assert answer.status_code == 200, answer.text
        begun = answer.json()
        assert (begun["end"], begun["runs"], begun["done"]) == ("", 16, 0)
        again = await cell.client.post(ADDRESS, json=an_order(cell.state()))
        assert again.json() == begun, "a repeated request is the same study"

        second = await cell.client.post(ADDRESS, json=an_order(cell.state(), request_id="g-2"))
        assert second.status_code == 409
        assert second.json()["type"].endswith("study-refused")
        assert "goes on" in second.json()["detail"]

        stop = {"by": "M. Weaver", "why": "the shift is over", "request_id": "g-3"}
        ended = await cell.client.post(f"{ADDRESS}/{begun['study']}/stop", json=stop)
        assert (ended.json()["end"], ended.json()["why"]) == (
            "stopped",
            "M. Weaver: the shift is over",
        )
        assert cell.state().studies[-1].end == "stopped"


async def test_what_cannot_be_studied_is_refused_in_words_and_changes_nothing(
    start_on, waiting, tmp_path
):
    async with start_on(tmp_path, waiting) as cell:
        strange = await cell.client.post(
            ADDRESS, json=an_order(cell.state(), program="no-such-program")
        )
        assert strange.status_code == 409
        assert "expected one of" in strange.json()["detail"]
        assert "pump-body-scan" in strange.json()["detail"]
        unknown = await cell.client.get(f"{ADDRESS}/gauge-1")
        assert unknown.status_code == 404
        assert cell.state().studies == ()


async def test_the_pages_show_a_study_and_lead_to_it(start_on, studied, tmp_path):
    async with start_on(tmp_path, studied) as cell:
        first, second = studied.state.studies
        process = (await cell.client.get("/process")).text
        for study in (first, second):
            assert f'href="/gauge/{study.study}"' in process
        many = (await cell.client.get(f"/gauge/{first.study}")).text
        assert "Reproduc&shy;ibility" in many
        assert "ANOVA" in many
        one = (await cell.client.get(f"/gauge/{second.study}")).text
        assert "Cgk" in one
        assert (await cell.client.get("/gauge/gauge-1")).status_code == 404
