"""Refusals: every one is a problem that says what to do (RFC 9457)."""

import pytest

from supervisor.api.problems import CATALOGUE
from supervisor.core.decide import Core
from supervisor.core.events import CellOrdered

KEY = {"Idempotency-Key": "k-1"}
RELEASE = {"answer": "clear", "by": "test"}


def assert_problem(answer, status, name):
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["cache-control"] == "no-store"
    problem = answer.json()
    kind = next(kind for kind in CATALOGUE if kind.name == name)
    assert problem["type"] == f"urn:pointsman:problem:{name}"
    assert problem["code"] == kind.code
    assert problem["status"] == status
    assert problem["instance"] == answer.request.url.path
    assert problem["detail"]
    assert problem["fix"]
    return problem


@pytest.mark.parametrize(
    ("address", "name"),
    [
        ("/api/v1/absent", "no-such-address"),
        ("/api/v1/cell/", "no-such-address"),
        ("/api/v1/stations/absent", "name-unknown"),
        ("/api/v1/places/absent", "name-unknown"),
        ("/api/v1/pallets/absent", "name-unknown"),
        ("/api/v1/parts/absent", "name-unknown"),
        ("/api/v1/parts/absent/revisions", "name-unknown"),
        ("/api/v1/holds/absent", "hold-not-open"),
    ],
)
async def test_what_is_not_there_is_404(cell, address, name):
    problem = assert_problem(await cell.client.get(address), 404, name)
    assert "absent" in problem["detail"] or name == "no-such-address"


@pytest.mark.parametrize(
    "address",
    [
        "/records?batches=B7",
        "/records/archive?serials=1",
        "/records/summary?from=2025-01-01",
        "/charts/pump-body/1?size=5",
        "/decisions?palet=P1",
    ],
)
async def test_a_misspelt_question_is_refused_and_not_answered_with_everything(cell, address):
    answer = await cell.client.get(f"/api/v1{address}")
    problem = assert_problem(answer, 422, "not-understood")
    name = address.partition("?")[2].partition("=")[0]
    assert f"query.{name}: is not known at this address; known are " in problem["detail"]


@pytest.mark.parametrize("address", ["/shift?shift=last", "/cell?verbose=1"])
async def test_a_question_to_an_address_that_takes_none_is_refused(cell, address):
    problem = assert_problem(await cell.client.get(f"/api/v1{address}"), 422, "not-understood")
    assert problem["detail"].endswith("is not known at this address; it knows none")


async def test_a_405_names_all_methods_of_an_address_with_several(cell):
    answer = await cell.client.put("/api/v1/gauge-studies", json={})
    assert answer.headers["allow"] == "GET, POST"


async def test_a_method_that_is_not_served_is_405_with_the_methods_that_are(cell):
    answer = await cell.client.delete("/api/v1/cell")
    assert_problem(answer, 405, "method-not-allowed")
    assert answer.headers["allow"] == "GET"


@pytest.mark.parametrize(
    ("address", "field"),
    [
        ("/api/v1/journal?from=0", "query.from"),
        ("/api/v1/journal?limit=501", "query.limit"),
        ("/api/v1/records?verdict=perhaps", "query.verdict"),
        ("/api/v1/records?after=nonsense", "query.after"),
        ("/api/v1/records?decided_from=yesterday", "query.decided_from"),
        ("/api/v1/records?decided_to=2025-11-25T09:00:00", "query.decided_to"),
        ("/api/v1/decisions?limit=many", "query.limit"),
        ("/api/v1/events?after=-1", "query.after"),
    ],
)
async def test_a_question_that_makes_no_sense_is_422_and_names_the_field(cell, address, field):
    problem = assert_problem(await cell.client.get(address), 422, "not-understood")
    assert [each["field"] for each in problem["fields"]] == [field]


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"mode": "stop", "by": "test"}, "body.mode"),
        ({"mode": "run"}, "body.by"),
        ({"mode": "run", "by": ""}, "body.by"),
        ({"mode": "run", "by": 5}, "body.by"),
        ({"mode": "run", "by": "test", "force": True}, "body.force"),
        ({"mode": "run", "by": "x" * 201}, "body.by"),
    ],
)
async def test_a_body_that_makes_no_sense_is_422_and_changes_nothing(cell, body, field):
    before = cell.store.journal.head().seq
    answer = await cell.client.post("/api/v1/cell/mode", json=body, headers=KEY)
    problem = assert_problem(answer, 422, "not-understood")
    assert [each["field"] for each in problem["fields"]] == [field]
    assert cell.store.journal.head().seq == before


@pytest.mark.parametrize(
    ("body", "seen"),
    [
        ({"mode": "run"}, "is needed and was not given"),
        ({"mode": "run", "by": "test", "force": True}, "is not known here"),
        ({"mode": "run", "by": ""}, "needs at least 1 character(s)"),
        ({"mode": "run", "by": 5}, "expected a text, found '5'"),
        ({"mode": "stop", "by": "test"}, "expected 'run' or 'pause', found 'stop'"),
    ],
)
async def test_a_field_is_refused_in_the_words_of_the_interface(cell, body, seen):
    answer = await cell.client.post("/api/v1/cell/mode", json=body, headers=KEY)
    assert [each["seen"] for each in answer.json()["fields"]] == [seen]


@pytest.mark.parametrize(
    ("limit", "seen"),
    [
        ("501", "expected 500 or less, found '501'"),
        ("many", "expected a whole number, found 'many'"),
    ],
)
async def test_a_number_is_refused_with_what_was_expected_and_found(cell, limit, seen):
    answer = await cell.client.get(f"/api/v1/journal?limit={limit}")
    assert [each["seen"] for each in answer.json()["fields"]] == [seen]


async def test_a_body_that_is_no_json_is_422(cell):
    headers = {**KEY, "Content-Type": "application/json"}
    answer = await cell.client.post("/api/v1/cell/mode", content="{", headers=headers)
    problem = assert_problem(answer, 422, "not-understood")
    assert problem["detail"] == "body: is no JSON"


async def test_a_form_is_not_taken_for_json(cell):
    """A foreign page can send a form without asking; it must not pass."""
    headers = {**KEY, "Content-Type": "text/plain"}
    content = '{"mode": "pause", "by": "test"}'
    answer = await cell.client.post("/api/v1/cell/mode", content=content, headers=headers)
    assert_problem(answer, 422, "not-understood")
    assert cell.state().want == "run"


@pytest.mark.parametrize("how", ["declared", "in pieces"])
async def test_a_body_that_is_too_large_is_413(cell, how):
    async def pieces():
        for _ in range(9):
            yield b"x" * 8_192

    content = b"x" * 65_537 if how == "declared" else pieces()
    answer = await cell.client.post("/api/v1/cell/mode", content=content, headers=KEY)
    assert_problem(answer, 413, "body-too-large")


@pytest.mark.hazard(38)
async def test_a_request_for_another_host_is_421(cell):
    answer = await cell.client.get("/api/v1/cell", headers={"Host": "cell.example:8000"})
    assert_problem(answer, 421, "host-unknown")


async def test_an_unexpected_error_says_nothing_of_the_inside(cell, monkeypatch, caplog):
    def fail(*_, **__):
        raise RuntimeError("secret of the inside")

    monkeypatch.setattr(type(cell.store.journal), "head", fail)
    answer = await cell.client.get("/api/v1/journal/head")
    assert_problem(answer, 500, "unexpected")
    assert "secret" not in answer.text
    assert "secret of the inside" in caplog.text


async def test_after_a_defect_the_cell_can_be_read_and_told_nothing(cell, monkeypatch):
    """S10: nothing is sent any more, and the interface says so."""
    hold = await cell.hold()
    monkeypatch.setattr(Core, "broken", lambda *_: ("a pallet stands twice",))
    await cell.tell(CellOrdered(want="pause", by="test"))
    answer = await cell.client.post(f"/api/v1/holds/{hold}/release", json=RELEASE, headers=KEY)
    problem = assert_problem(answer, 503, "not-deciding")
    assert "a pallet stands twice" in problem["detail"]
    shown = (await cell.client.get("/api/v1/cell")).json()
    assert (shown["step"], shown["trouble"]) == ("broken", "a pallet stands twice")
    health = await cell.client.get("/healthz")
    assert (health.status_code, health.json()["step"]) == (503, "broken")


async def test_every_refusal_has_a_number_and_a_name_of_its_own():
    assert len({kind.code for kind in CATALOGUE}) == len(CATALOGUE)
    assert len({kind.name for kind in CATALOGUE}) == len(CATALOGUE)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "none was given"),
        (
            {"Content-Type": "application/x-www-form-urlencoded"},
            "found application/x-www-form-urlencoded",
        ),
    ],
)
async def test_a_body_that_is_not_said_to_be_json_is_refused_with_the_header_it_needs(
    cell, given, said
):
    content = '{"mode": "pause", "by": "test"}'
    answer = await cell.client.post("/api/v1/cell/mode", content=content, headers=KEY | given)
    problem = assert_problem(answer, 422, "not-understood")
    wanted = f"expected Content-Type: application/json, {said}"
    assert problem["fields"] == [{"field": "header.content-type", "seen": wanted}]
    assert problem["detail"] == f"header.content-type: {wanted}"


async def test_json_that_is_no_object_is_refused_as_that(cell):
    answer = await cell.client.post("/api/v1/cell/mode", json=["pause"], headers=KEY)
    problem = assert_problem(answer, 422, "not-understood")
    assert problem["fields"] == [
        {"field": "body", "seen": "expected an object, found \"['pause']\""}
    ]
