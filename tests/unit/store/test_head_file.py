"""The head, kept in a second file."""

import pytest

from supervisor.store import head_file
from supervisor.store.chain import ROOT
from supervisor.store.head_file import HeadFile


def tip(seq):
    return ROOT._replace(seq=seq, hash=bytes([seq]) * 32)


@pytest.fixture
def seconds(monkeypatch):
    """A monotonic clock that the test sets."""
    now = [100.0]
    monkeypatch.setattr(head_file.time, "monotonic", lambda: now[0])
    return now


def test_a_missing_file_knows_nothing(tmp_path):
    heads = HeadFile(tmp_path / "cell.head")
    assert heads.known() is None
    assert heads.trouble == ""


def test_it_is_written_at_once_and_then_at_most_once_a_second(tmp_path, seconds):
    heads = HeadFile(tmp_path / "cell.head")
    for seq in (1, 2, 3):
        heads.note(tip(seq))
    assert heads.known().seq == 1
    seconds[0] += head_file.EVERY_S
    heads.note(tip(4))
    assert heads.known().seq == 4


def test_the_last_head_before_a_quiet_time_is_written_when_it_is_due(tmp_path, seconds):
    heads = HeadFile(tmp_path / "cell.head")
    heads.keep_up()
    assert heads.known() is None
    heads.note(tip(1))
    heads.note(tip(2))
    heads.keep_up()
    assert heads.known().seq == 1
    seconds[0] += head_file.EVERY_S
    heads.keep_up()
    assert heads.known().seq == 2
    heads.path.unlink()
    seconds[0] += head_file.EVERY_S
    heads.keep_up()
    assert heads.known() is None, "nothing new, nothing to write"


@pytest.mark.usefixtures("seconds")
def test_flushing_writes_the_newest(tmp_path):
    heads = HeadFile(tmp_path / "cell.head")
    for seq in (1, 2, 3):
        heads.note(tip(seq))
    heads.flush()
    known = heads.known()
    assert (known.seq, known.hash) == (3, bytes([3]) * 32)
    assert known.where == str(tmp_path / "cell.head")


@pytest.mark.parametrize("content", [b"", b"\0\0\0", b'{"seq":1}', b'{"seq":1,"hash":"zz"}'])
def test_an_unreadable_file_counts_as_absent_and_is_said(tmp_path, content):
    path = tmp_path / "cell.head"
    path.write_bytes(content)
    heads = HeadFile(path)
    assert heads.known() is None
    assert "cannot be read" in heads.trouble


def test_trouble_with_writing_stops_nothing_and_is_said(tmp_path, seconds):
    heads = HeadFile(tmp_path / "gone" / "cell.head")
    heads.note(tip(1))
    assert "cannot be written" in heads.trouble
    heads.path.parent.mkdir()
    seconds[0] += head_file.EVERY_S
    heads.note(tip(2))
    assert heads.trouble == ""
    assert heads.known().seq == 2
