"""GRAI-96 and SGTIN-96 against values from outside.

Sources, named by each value:
- "TDS": published example of the GS1 EPC Tag Data Standard, annex E.3 (quoted by many public repositories; the standard itself
  was not at hand).
- "two coders": not seen in print; computed with this project's coder and with PyPI epcpy 0.1.8, an independent one, and equal.
- "public tests": expected value in the public unit tests of another EPC library, which we did not write.
"""

import pytest

from supervisor.tag import Grai, Sgtin, TagError, check_digit, sgtin_of_gtin
from supervisor.tag.epc import bytes_of_grai, bytes_of_sgtin, grai_of_bytes, sgtin_of_bytes

GRAI_VALUES = [
    # two coders
    ("3374257BF40C0E4000000190", "urn:epc:tag:grai-96:3.0614141.12345.400"),
    ("33A0393243F1640000000190", "urn:epc:tag:grai-96:5.061414112345..400"),
    ("33A42DC1CFF4427FFFFFFFFF", "urn:epc:tag:grai-96:5.06141411234.9.274877906943"),
    ("33A8249B0CC3188000000190", "urn:epc:tag:grai-96:5.0614141123.98.400"),
    ("33AC3A91AE00F6FFFFFFFFFF", "urn:epc:tag:grai-96:5.061414112.987.274877906943"),
    ("33B02EDAF189A50000000190", "urn:epc:tag:grai-96:5.06141411.9876.400"),
    ("33B4257BF460737FFFFFFFFF", "urn:epc:tag:grai-96:5.0614141.98765.274877906943"),
    ("33B83BF983C4818000000190", "urn:epc:tag:grai-96:5.061414.987654.400"),
    # public tests: a Java and a C# translation engine agree
    ("330C75BCD150030000000001", "urn:epc:tag:grai-96:0.123456789.012.1"),
    # public tests: one Java library
    ("33140E511C56ED0000000001", "urn:epc:tag:grai-96:0.0234567.89012.1"),
    # public tests: one Python library
    ("331800004000004000000001", "urn:epc:tag:grai-96:0.000001.000001.1"),
]

SGTIN_VALUES = [
    # TDS
    ("3074257BF7194E4000001A85", "urn:epc:tag:sgtin-96:3.0614141.812345.6789", "80614141123458"),
    # two coders, GTIN from the second one
    ("3020393243F1660000001A85", "urn:epc:tag:sgtin-96:1.061414112345.8.6789", "80614141123458"),
    (
        "30242DC1CFF455FFFFFFFFFF",
        "urn:epc:tag:sgtin-96:1.06141411234.87.274877906943",
        "80614141123472",
    ),
    ("3028249B0CC3DB0000001A85", "urn:epc:tag:sgtin-96:1.0614141123.876.6789", "80614141123762"),
    (
        "302C3A91AE088F7FFFFFFFFF",
        "urn:epc:tag:sgtin-96:1.061414112.8765.274877906943",
        "80614141127654",
    ),
    ("30302EDAF1D5998000001A85", "urn:epc:tag:sgtin-96:1.06141411.87654.6789", "80614141176546"),
    (
        "3034257BF757FFFFFFFFFFFF",
        "urn:epc:tag:sgtin-96:1.0614141.876543.274877906943",
        "80614141765436",
    ),
    ("30383BF9A16FFE0000001A85", "urn:epc:tag:sgtin-96:1.061414.8765432.6789", "80614147654321"),
    # public tests: a Java and a C# translation engine agree
    ("303613ACD83B9AC000000646", "urn:epc:tag:sgtin-96:1.8710966.061035.1606", "08710966610350"),
    # public tests: one Python library
    ("301800004000004000000001", "urn:epc:tag:sgtin-96:0.000001.0000001.1", "00000010000014"),
]


@pytest.mark.parametrize(("epc", "tag_uri"), GRAI_VALUES)
def test_a_pallet_code_reads_and_writes_as_published(epc, tag_uri):
    grai = grai_of_bytes(bytes.fromhex(epc))
    assert grai.tag_uri == tag_uri
    assert bytes_of_grai(grai).hex().upper() == epc


@pytest.mark.parametrize(("epc", "tag_uri", "gtin"), SGTIN_VALUES)
def test_a_part_code_reads_and_writes_as_published(epc, tag_uri, gtin):
    sgtin = sgtin_of_bytes(bytes.fromhex(epc))
    assert sgtin.tag_uri == tag_uri
    assert sgtin.gtin == gtin
    assert bytes_of_sgtin(sgtin).hex().upper() == epc


def test_a_pallet_keeps_its_id_when_only_the_filter_value_differs():
    one = grai_of_bytes(bytes.fromhex("3374257BF40C0E4000000190"))
    other = grai_of_bytes(bytes.fromhex("3314257BF40C0E4000000190"))
    assert one.pallet_id == other.pallet_id == "grai:0614141.12345.400"


@pytest.mark.parametrize(
    ("body", "digit"),
    [
        ("8061414112345", "8"),  # TDS: (01)80614141123458
        ("0871096661035", "0"),  # public tests, as above: gtin=08710966610350
        ("0846632485751", "5"),  # public tests: one Python library
        ("0000000000000", "0"),  # by the rule: nothing to fill up
    ],
)
def test_the_check_digit_is_the_one_of_gs1(body, digit):
    assert check_digit(body) == digit


def test_a_part_code_is_made_from_a_gtin_and_the_length_of_its_company_prefix():
    sgtin = sgtin_of_gtin("80614141123458", company_digits=7, serial=6789)
    assert sgtin == Sgtin(company="0614141", item="812345", serial=6789)
    assert sgtin.gtin == "80614141123458"


@pytest.mark.parametrize(
    ("gtin", "company_digits", "code"),
    [
        ("80614141123457", 7, "bad check"),
        ("8061414112345", 7, "bad digits"),
        ("8061414112345x", 7, "bad digits"),
        ("80614141123458", 5, "bad digits"),
        ("80614141123458", 13, "bad digits"),
    ],
)
def test_a_wrong_gtin_is_refused(gtin, company_digits, code):
    with pytest.raises(TagError) as refusal:
        sgtin_of_gtin(gtin, company_digits=company_digits, serial=1)
    assert refusal.value.code == code


@pytest.mark.parametrize(
    "grai",
    [
        Grai(company="06141", asset_type="1234567", serial=1),
        Grai(company="0614141000000", asset_type="", serial=1),
        Grai(company="0614141", asset_type="1234", serial=1),
        Grai(company="0614141", asset_type="123456", serial=1),
        Grai(company="061414x", asset_type="12345", serial=1),
        Grai(company="061414\u0661", asset_type="12345", serial=1),  # a digit, but not an ASCII one
        Grai(company="0614141", asset_type="12345", serial=-1),
        Grai(company="0614141", asset_type="12345", serial=2**38),
        Grai(company="0614141", asset_type="12345", serial=1, filter_value=8),
    ],
)
def test_a_pallet_code_that_does_not_fit_its_digits_is_refused(grai):
    with pytest.raises(TagError) as refusal:
        bytes_of_grai(grai)
    assert refusal.value.code == "bad digits"


@pytest.mark.parametrize(
    ("epc", "code", "seen"),
    [
        ("3674257BF7194E4000001A85", "wrong header", "36 instead of 33"),
        ("337C257BF40C0E4000000190", "bad partition", "partition 7"),
        # partition 0 leaves the asset type no digit, so only 0 fits
        ("33A0393243F1644000000190", "bad digits", "reference of the pallet is 1; 0 digits"),
        # 24 bits hold up to 16 777 215, seven digits only up to 9 999 999
        (
            "3377FFFFFC0C0E4000000190",
            "bad digits",
            "company prefix of the pallet is 16777215; 7 digits",
        ),
        # 20 bits hold up to 1 048 575, five digits only up to 99 999
        ("3374257BF7FFFFC000000190", "bad digits", "reference of the pallet is 1048575; 5 digits"),
    ],
)
def test_a_malformed_pallet_code_is_refused_with_what_was_seen(epc, code, seen):
    with pytest.raises(TagError) as refusal:
        grai_of_bytes(bytes.fromhex(epc))
    assert refusal.value.code == code
    assert seen in refusal.value.seen
