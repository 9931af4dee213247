"""The head of the journal leaves the machine with every answer, signed where there is a key."""

import json

import pytest

from supervisor.store.head_note import HeadNote, kept_heads
from supervisor.store.signing import make_key

pytestmark = pytest.mark.integration


@pytest.fixture
async def signing(tmp_path, start_cell):
    """A cell that signs, and its key."""
    seal = make_key(tmp_path / "cell.key")
    async with start_cell(tmp_path, seal=seal) as cell:
        yield cell, seal


PATHS = ["/api/v1/cell", "/api/v1/records", "/api/v1/journal?limit=3", "/", "/absent", "/healthz"]


@pytest.mark.parametrize("path", PATHS)
async def test_every_answer_tells_the_newest_durable_head_signed(signing, path):
    cell, seal = signing
    answer = await cell.client.get(path)
    note = HeadNote(**json.loads(answer.headers["Pointsman-Head"]))
    seal.public().check(note, path)
    head = cell.store.journal.head()
    assert (note.seq, note.hash) == (head.seq, head.digest)


async def test_a_header_and_an_endpoint_kept_elsewhere_prove_the_journal(signing, tmp_path):
    """Both are lines of one file, as a person would collect them."""
    cell, seal = signing
    header = (await cell.client.get("/api/v1/cell")).headers["Pointsman-Head"]
    await cell.hold()
    body = (await cell.client.get("/api/v1/journal/head/note")).text
    kept = tmp_path / "kept"
    kept.write_text(f"{header}\n{body}\n")
    heads = kept_heads(kept, seal.public())
    assert heads[0].seq < heads[1].seq
    assert cell.store.verify(heads).fault is None


async def test_without_a_key_the_head_is_told_unsigned(cell):
    note = (await cell.client.get("/api/v1/journal/head/note")).json()
    assert (note["key"], note["signature"]) == ("", "")
    assert note["hash"] == cell.store.journal.head().digest
