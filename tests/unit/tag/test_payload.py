"""A tag's whole memory: layout, refusals, and that its page in docs/ says the same."""

import itertools
import re
from zlib import crc32

import pytest

from supervisor.cell.value import replace
from supervisor.tag import ADVICE, Grai, Sgtin, TagContent, TagError, decode, encode

CONTENT = TagContent(
    grai=Grai(company="0614141", asset_type="12345", serial=400, filter_value=3),
    sgtin=Sgtin(company="0614141", item="812345", serial=6789, filter_value=3),
    batch="B-2025-0417",
    produced_s=1_764_061_200,  # date -u -d @1764061200 gives 2025-11-25 09:00:00
)
PAYLOAD = encode(CONTENT)
RECORD_BITS = range(24 * 8, (24 + 4 + 15 + 4) * 8)


def refusal_of(payload: bytes) -> TagError:
    with pytest.raises(TagError) as refusal:
        decode(payload)
    return refusal.value


def with_bytes(at: int, new: bytes) -> bytes:
    return PAYLOAD[:at] + new + PAYLOAD[at + len(new) :]


def sealed(covered: bytes) -> bytes:
    """A payload with a right CRC, whatever it says."""
    return covered + crc32(covered).to_bytes(4, "big")


def test_the_crc_is_the_documented_one():
    # published check value of CRC-32/ISO-HDLC, the CRC-32 of Ethernet and gzip
    assert crc32(b"123456789") == 0xCBF43926


def test_a_tag_says_pallet_part_batch_and_time():
    content = decode(PAYLOAD)
    assert content.pallet == "grai:0614141.12345.400"
    assert content.gtin == "80614141123458"
    assert content.serial == "6789"
    assert content.batch == "B-2025-0417"
    assert content.produced == "2025-11-25T09:00:00Z"


def test_the_memory_is_laid_out_as_documented():
    expected = (
        "3374257BF40C0E4000000190"
        "3074257BF7194E4000001A85"
        "504D" "01" "0F" "69257010"
    )  # fmt: skip
    written = bytes.fromhex(expected) + b"B-2025-0417"
    assert sealed(written).ljust(112, b"\0") == PAYLOAD


def test_the_page_shows_the_same_bytes(repository):
    page = (repository / "docs/reference/tag.md").read_text(encoding="utf-8")
    block = page.split("```")[1]
    written = bytes.fromhex("".join(re.findall(r"^((?:[0-9A-F]{2} )+)", block, re.MULTILINE)))
    assert written.rstrip(b"\0") == PAYLOAD.rstrip(b"\0")


def test_the_page_lists_every_refusal_with_its_advice(repository):
    page = (repository / "docs/reference/tag.md").read_text(encoding="utf-8")
    listed = page.split("| code | what to do |\n| --- | --- |\n")[1].split("\n\n")[0]
    assert listed.splitlines() == [f"| {code} | {advice} |" for code, advice in ADVICE.items()]


def test_an_empty_batch_is_possible():
    content = replace(CONTENT, batch="")
    assert decode(encode(content)) == content


def test_the_longest_batch_fits_the_usual_tag():
    content = replace(CONTENT, batch="B" * 40)
    assert decode(encode(content)) == content
    assert len(encode(content)) == 112


def test_what_an_older_record_left_behind_does_not_matter():
    assert decode(PAYLOAD.rstrip(b"\0").ljust(112, b"\xa5")) == CONTENT


@pytest.mark.parametrize(
    ("payload", "code", "seen"),
    [
        (b"", "too short", "0 bytes"),
        (PAYLOAD[:35], "too short", "35 bytes"),
        (PAYLOAD[:46], "too short", "ends at byte 47"),
        (bytes(112), "blank", "00"),
        (b"\xff" * 112, "blank", "FF"),
        (with_bytes(0, b"\x36"), "wrong header", "pallet begins with 36 instead of 33"),
        (with_bytes(12, b"\x33"), "wrong header", "part begins with 33 instead of 30"),
        (with_bytes(24, b"XY"), "wrong magic", "5859 instead of 504D"),
        (with_bytes(26, b"\x02"), "unknown version", "version 2"),
        (with_bytes(27, b"\x03"), "contradictory", "3 bytes"),
        (with_bytes(27, b"\xff"), "contradictory", "255 bytes"),
        (with_bytes(33, b"C"), "wrong crc", "the tag says D4BA68CE"),
        (with_bytes(11, b"\x91"), "wrong crc", "D4BA68CE"),
        (sealed(with_bytes(1, b"\x7c")[:43]), "bad partition", "pallet has partition 7"),
        (sealed(with_bytes(13, b"\x77\xff\xff\xfc")[:43]), "bad digits", "company prefix of the part"),
        (sealed(with_bytes(34, b"\n")[:43]), "bad character", r"'B-\n025-0417'"),
        (sealed(with_bytes(42, b" ")[:43]), "bad character", "'B-2025-041 '"),
        (sealed(with_bytes(42, b"\xe9")[:43]), "bad character", "'B-2025-041é'"),
    ],
)  # fmt: skip
@pytest.mark.hazard(10)
def test_a_tag_that_cannot_be_believed_is_refused_with_what_was_seen(payload, code, seen):
    refusal = refusal_of(payload)
    assert refusal.code == code
    assert seen in refusal.seen
    assert refusal.advice == ADVICE[code]
    assert str(refusal) == f"{code}: {refusal.seen}; {refusal.advice}"


def test_every_one_or_two_wrong_bits_in_the_record_are_noticed():
    number = int.from_bytes(PAYLOAD, "big")
    masks = [1 << (len(PAYLOAD) * 8 - 1 - bit) for bit in RECORD_BITS]
    flips = itertools.chain(masks, (a | b for a, b in itertools.combinations(masks, 2)))
    unnoticed = [mask for mask in flips if accepted((number ^ mask).to_bytes(112, "big"))]
    assert unnoticed == []


def accepted(payload: bytes) -> bool:
    try:
        decode(payload)
    except TagError:
        return False
    return True


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"batch": "B" * 41}, "too long"),
        ({"batch": " B"}, "bad character"),
        ({"batch": "Grün"}, "bad character"),
        ({"batch": "a\tb"}, "bad character"),
        ({"batch": "a\x7fb"}, "bad character"),
        ({"produced_s": -1}, "bad time"),
        ({"produced_s": 2**32}, "bad time"),
        ({"grai": Grai(company="1", asset_type="1", serial=1)}, "bad digits"),
        ({"sgtin": Sgtin(company="0614141", item="12345", serial=1)}, "bad digits"),
    ],
)
def test_what_a_tag_cannot_say_is_refused_when_written(change, code):
    with pytest.raises(TagError) as refusal:
        encode(replace(CONTENT, **change))
    assert refusal.value.code == code


def test_a_tag_that_is_too_small_is_refused_when_written():
    with pytest.raises(TagError) as refusal:
        encode(CONTENT, tag_bytes=46)
    assert refusal.value.code == "too long"
    assert "47 bytes are needed, the tag has 46" in refusal.value.seen
