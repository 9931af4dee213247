"""A tag that was written badly, worn out or forged never gives a wrong identity, and never more than a refusal."""

import random

import pytest

from simulators.models.tag import encode_tag
from supervisor.tag import TagContent, TagError, decode

pytestmark = [pytest.mark.property, pytest.mark.timeout(600)]

CASES = {"short": 20_000, "long": 1_000_000}
SEED = 7
GTIN = "10614141543219"  # a part of the same company as the pallet


@pytest.mark.hazard(10)
def test_no_mutated_payload_gives_a_wrong_identity(size, tally):
    draw = random.Random(SEED)
    for _ in range(CASES[size]):
        tag = payload_of(draw)
        told = decode(tag)
        hurt = mutated(draw, tag)
        if hurt[: len(tag)] == tag:
            tally["unchanged"] += 1
            continue
        tally.fed_bytes += len(hurt)
        try:
            content = decode(hurt)
        except TagError as refusal:
            tally[refusal.code] += 1
        else:
            assert identity(content) == identity(told), (tag.hex(), hurt.hex())
            tally["accepted, the true identity"] += 1
    assert tally["wrong crc"] > CASES[size] // 10


def test_no_bytes_at_all_are_more_than_a_refusal(size, tally):
    """Noise; a frame of ours with noise in it gets deeper than pure noise."""
    draw = random.Random(SEED)
    for _ in range(CASES[size] // 4):
        noise = draw.randbytes(draw.randrange(200))
        tag = payload_of(draw) if draw.random() < 0.5 else b""
        cut = draw.randrange(len(tag) or 1)
        tally.fed_bytes += cut + len(noise)
        try:
            content = decode(tag[:cut] + noise)
        except TagError as refusal:
            tally[refusal.code] += 1
        else:  # noise that begins with the very bytes that were cut off
            assert identity(content) == identity(decode(tag))
            tally["accepted, the true identity"] += 1
    assert tally["wrong magic"] > CASES[size] // 200


def payload_of(draw: random.Random) -> bytes:
    """The memory of a tag as the bench's own writer, another implementation than ours, fills it."""
    return encode_tag(
        pallet=f"grai:0614141.{draw.randrange(100_000):05d}.{draw.randrange(2**30)}",
        gtin=GTIN,
        serial=str(draw.randrange(2**30)),
        batch="".join(draw.choices("ABC-019", k=draw.randrange(12))),
        produced="2026-03-02T06:30:00Z",
    )


def identity(content: TagContent) -> tuple[object, ...]:
    """What must never be wrong."""
    return content.grai, content.sgtin, content.batch, content.produced_s


def mutated(draw: random.Random, tag: bytes) -> bytes:
    """One to four changes: a flipped bit, another byte, bytes left out, doubled, swapped, blanked, or the end cut off."""
    for _ in range(draw.randrange(1, 5)):
        at, length = draw.randrange(len(tag) or 1), draw.randrange(1, 9)
        piece = tag[at : at + length]
        change = draw.randrange(7)
        if change == 0:
            piece = bytes([tag[at] ^ 1 << draw.randrange(8)]) + piece[1:] if tag else b""
        elif change == 1:
            piece = draw.randbytes(len(piece))
        elif change == 2:
            piece = b""
        elif change == 3:
            piece = piece * 2
        elif change == 4:
            piece = piece[::-1]
        elif change == 5:
            piece = draw.choice((b"\0", b"\xff")) * len(piece)
        else:
            return tag[:at]
        tag = tag[:at] + piece + tag[at + length :]
    return tag
