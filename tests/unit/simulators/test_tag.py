import zlib

import pytest

from simulators.models.tag import encode_tag

EXAMPLE = {
    "pallet": "grai:0614141.12345.400",
    "gtin": "80614141123458",
    "serial": "6789",
    "batch": "B-2025-0417",
    "produced": "2025-11-25T09:00:00Z",
}


def test_the_codes_are_the_published_ones():
    payload = encode_tag(**EXAMPLE)
    # GRAI-96: computed by two independent coders; SGTIN-96: EPC Tag Data Standard, annex E.3 (docs/reference/tag.md).
    assert payload[:12].hex().upper() == "3374257BF40C0E4000000190"
    assert payload[12:24].hex().upper() == "3074257BF7194E4000001A85"


def test_the_record_is_the_one_of_the_page():
    # docs/reference/tag.md, Example
    assert encode_tag(**EXAMPLE)[24:].hex(" ").upper() == (
        "50 4D 01 0F 69 25 70 10 42 2D 32 30 32 35 2D 30 34 31 37 D4 BA 68 CE"
    )


def test_the_checksum_is_the_one_of_the_page():
    assert zlib.crc32(b"123456789") == 0xCBF43926  # docs/reference/tag.md


def test_an_offset_of_the_production_time_is_respected():
    elsewhere = encode_tag(**{**EXAMPLE, "produced": "2025-11-25T10:00:00+01:00"})
    assert elsewhere == encode_tag(**EXAMPLE)


@pytest.mark.parametrize(
    ("field", "value", "complaint"),
    [
        ("pallet", "12345", "expected grai:"),
        ("pallet", "grai:0614141.123456.1", "expected 12 digits"),
        ("gtin", "8061414112345", "expected 14 digits"),
        ("gtin", "80999999123456", "expected the pallet's company prefix 0614141"),
        ("serial", "274877906944", "below 2^38"),
        ("serial", "0123", "without leading zeros"),
        ("batch", " B", "no blank at the ends"),
        ("produced", "2025-11-25T09:00:00", "with its offset"),
    ],
)
def test_what_cannot_be_written_is_refused_by_name(field, value, complaint):
    with pytest.raises(ValueError, match=complaint.replace("^", r"\^")):
        encode_tag(**{**EXAMPLE, field: value})
