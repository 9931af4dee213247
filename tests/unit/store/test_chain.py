"""The hash chain finds whatever was done to the journal."""

import hashlib
from itertools import zip_longest

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from supervisor.core.events import TimerFired
from supervisor.shell.ports import JournalEntry
from supervisor.store.chain import ROOT, Known, Row, digest, head_of, link, verify


def chain(length, *, word="door"):
    entries = [
        JournalEntry(
            seq=n, at_ms=10 * n, schema=1, event=TimerFired(timer=f"{word} {n}"), commands=()
        )
        for n in range(1, length + 1)
    ]
    rows = link(ROOT, entries)
    return rows, rows[-1]


def test_the_hash_of_an_entry_is_sha_256_over_what_the_reference_page_says():
    rows, _ = chain(1)
    body = b'{"event":["TimerFired",{"timer":"door 1"}],"commands":[]}'
    assert rows[0].body.encode() == body
    assert rows[0].hash == hashlib.sha256(bytes(32) + b"1\n10\n1\nTimerFired\n" + body).digest()


def test_an_untouched_chain_verifies_to_its_end():
    rows, tip = chain(5)
    report = verify(rows, [Known(seq=5, hash=tip.hash, where="a copy")])
    assert (report.entries, report.head, report.fault) == (5, head_of(tip), None)


def test_an_empty_journal_verifies():
    report = verify([], [Known(seq=0, hash=ROOT.hash, where="a copy")])
    assert (report.entries, report.fault) == (0, None)


def test_a_chain_goes_on_where_it_ended():
    whole, _ = chain(5)
    first = link(ROOT, [e for e in entries_of(whole) if e.seq <= 2])
    rest = link(first[-1], [e for e in entries_of(whole) if e.seq > 2])
    assert first + rest == whole


def entries_of(rows):
    return [
        JournalEntry(
            seq=r.seq, at_ms=r.at_ms, schema=1, event=TimerFired(timer=f"door {r.seq}"), commands=()
        )
        for r in rows
    ]


CHANGES = {
    "seq": lambda n: n + 1000,
    "at_ms": lambda n: n + 1,
    "schema": lambda n: n + 1,
    "kind": lambda kind: kind + "x",
    "prev": lambda b: bytes([b[0] ^ 1]) + b[1:],
    "hash": lambda b: b[:-1] + bytes([b[-1] ^ 128]),
}


@pytest.mark.property
@given(data=st.data())
def test_any_changed_field_of_any_entry_is_found_at_or_right_behind_that_entry(data):
    rows, _ = chain(8)
    index = data.draw(st.integers(0, 7))
    field = data.draw(st.sampled_from(sorted(CHANGES)))
    rows[index] = rows[index]._replace(**{field: CHANGES[field](getattr(rows[index], field))})
    fault = verify(rows).fault
    assert fault is not None
    assert fault.seq == index + 1


@pytest.mark.property
@given(data=st.data())
def test_any_single_changed_bit_of_a_body_is_found_at_its_entry(data):
    rows, _ = chain(8)
    index = data.draw(st.integers(0, 7))
    body = rows[index].body
    at = data.draw(st.integers(0, len(body) - 1))
    flipped = chr(ord(body[at]) ^ 1 << data.draw(st.integers(0, 6)))
    rows[index] = rows[index]._replace(body=body[:at] + flipped + body[at + 1 :])
    report = verify(rows)
    assert (report.entries, report.fault.seq) == (index, index + 1)


@pytest.mark.property
@given(index=st.integers(0, 7), count=st.integers(1, 3))
def test_any_removed_entry_is_found(index, count):
    rows, tip = chain(8)
    del rows[index : index + count]
    fault = verify(rows, [Known(seq=8, hash=tip.hash, where="a copy")]).fault
    assert fault.seq == index + 1


@pytest.mark.property
@given(index=st.integers(0, 7))
def test_an_entry_removed_with_the_rest_renumbered_is_found(index):
    rows, tip = chain(8)
    del rows[index]
    rows = [row._replace(seq=n) for n, row in enumerate(rows, start=1)]
    assert verify(rows, [Known(seq=8, hash=tip.hash, where="a copy")]).fault.seq == index + 1


@pytest.mark.property
@given(index=st.integers(0, 7))
def test_an_added_entry_is_found(index):
    rows, _ = chain(8)
    prev = rows[index - 1].hash if index else ROOT.hash
    body = '{"event":["TimerFired",{"timer":"mine"}],"commands":[]}'
    seq = index + 1
    own = digest(prev, seq, 5, 1, "TimerFired", body)
    later = [row._replace(seq=row.seq + 1) for row in rows[index:]]
    added = [*rows[:index], Row(seq, 5, 1, "TimerFired", body, prev, own), *later]
    assert verify(added).fault.seq == seq + 1


@pytest.mark.property
@given(data=st.data())
def test_any_two_swapped_entries_are_found_at_the_first(data):
    rows, _ = chain(8)
    pair = st.lists(st.integers(0, 7), min_size=2, max_size=2, unique=True)
    first, second = sorted(data.draw(pair))
    keep_numbers = data.draw(st.booleans())
    a, b = rows[first], rows[second]
    rows[first] = b._replace(seq=a.seq) if keep_numbers else b
    rows[second] = a._replace(seq=b.seq) if keep_numbers else a
    assert verify(rows).fault.seq == first + 1


def changed(draw, rows):
    """One field of one entry, differently."""
    index = draw(st.integers(0, len(rows) - 1))
    field = draw(st.sampled_from(Row._fields))
    old = getattr(rows[index], field)
    other = {
        int: st.integers(-(2**63), 2**63 - 1),
        str: st.text(max_size=80),
        bytes: st.binary(max_size=40),
    }
    new = draw(other[type(old)].filter(lambda content: content != old))
    return [*rows[:index], rows[index]._replace(**{field: new}), *rows[index + 1 :]]


def removed(draw, rows):
    index = draw(st.integers(0, len(rows) - 1))
    return [*rows[:index], *rows[index + 1 :]]


def added(draw, rows):
    """A copy of any entry, or a well-made new one, anywhere."""
    at = draw(st.integers(0, len(rows)))
    extra = draw(st.sampled_from(rows))
    if draw(st.booleans()):
        prev = rows[at - 1].hash if at else ROOT.hash
        own = digest(prev, at + 1, extra.at_ms, extra.schema, extra.kind, extra.body)
        extra = extra._replace(seq=at + 1, prev=prev, hash=own)
    return [*rows[:at], extra, *rows[at:]]


def swapped(draw, rows):
    order = draw(st.permutations(rows))
    keep = draw(st.booleans())
    return [row._replace(seq=n) for n, row in enumerate(order, 1)] if keep else list(order)


def rehashed(draw, rows):
    """An entry changed together with its own hash."""
    index = draw(st.integers(0, len(rows) - 1))
    row = rows[index]._replace(at_ms=draw(st.integers(0, 1_000)))
    own = digest(row.prev, row.seq, row.at_ms, row.schema, row.kind, row.body)
    return [*rows[:index], row._replace(hash=own), *rows[index + 1 :]]


@pytest.mark.hazard(33)
@pytest.mark.property
@settings(max_examples=10 * settings.default.max_examples)
@given(data=st.data(), length=st.integers(2, 12))
def test_whatever_is_changed_removed_added_or_swapped_however_often_is_found(data, length):
    """Any sequence of up to four alterations that leaves other rows than were written."""
    whole, tip = chain(length)
    rows = list(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        if rows:
            rows = data.draw(st.sampled_from([changed, removed, added, swapped, rehashed]))(
                data.draw, rows
            )
    report = verify(rows, [Known(seq=length, hash=tip.hash, where="a copy")])
    first = next((n for n, (a, b) in enumerate(zip_longest(rows, whole), 1) if a != b), length + 1)
    if first > length:
        return  # nothing that the head covers was touched; what follows it may rightly be newer
    assert report.fault is not None
    # An entry hashed anew is found by the one behind it; one hashed anew and followed by well-made ones, by the head at the latest.
    assert report.fault.seq <= length


@pytest.mark.property
@given(kept=st.integers(0, 7))
def test_a_cut_off_tail_is_found_by_a_head_kept_elsewhere_and_by_nothing_else(kept):
    rows, tip = chain(8)
    assert verify(rows[:kept]).fault is None
    fault = verify(rows[:kept], [Known(seq=8, hash=tip.hash, where="the head file")]).fault
    assert fault.seq == kept + 1
    assert "the head file knows entry 8" in fault.what


def test_a_history_rewritten_with_all_its_hashes_is_found_by_an_old_head():
    rows, _ = chain(8, word="invented")
    _, true_tip = chain(5)
    fault = verify(rows, [Known(seq=5, hash=true_tip.hash, where="a printed report")]).fault
    assert (fault.seq, "a printed report" in fault.what) == (5, True)
