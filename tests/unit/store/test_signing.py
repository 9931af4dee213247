"""Signed heads: what a signature proves, and keys that are not used."""

import json

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.asymmetric.rsa import generate_private_key
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from hypothesis import given
from hypothesis import strategies as st

from supervisor.shell.ports import Head
from supervisor.store import StoreError, signing
from supervisor.store.head_note import HeadNote, kept_heads, note_of
from supervisor.store.signing import (
    SigningKey,
    make_key,
    public_path,
    signing_key,
    verifying_key,
)

HEAD = Head(seq=1842, at_ms=1_764_062_111_004, digest="5b" * 32)
KEY = SigningKey(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))


def refused(act, *arguments):
    with pytest.raises(StoreError) as caught:
        act(*arguments)
    return caught.value


def test_the_primitive_is_the_one_of_rfc_8032():
    """RFC 8032, 7.1, test 1: an empty message."""
    secret = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    signature = (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )
    assert Ed25519PrivateKey.from_private_bytes(secret).sign(b"").hex() == signature


def test_what_is_signed_is_what_the_reference_page_says():
    note = KEY.note(HEAD)
    text = f"pointsman head 1\n1842\n1764062111004\n{'5b' * 32}\n".encode()
    assert note.signed_text() == text
    KEY._key.public_key().verify(bytes.fromhex(note.signature), text)
    assert note.key == KEY.public().name


def test_a_signed_head_is_taken():
    KEY.public().check(KEY.note(HEAD), "here")


@pytest.mark.property
@given(
    field=st.sampled_from(["seq", "at_ms", "hash", "signature"]),
    at=st.integers(0, 127),
    by=st.integers(1, 15),
)
def test_whatever_is_changed_in_a_signed_head_is_found(field, at, by):
    plain = {name: getattr(KEY.note(HEAD), name) for name in HeadNote.__struct_fields__}
    if isinstance(plain[field], int):
        plain[field] += by
    else:
        text = plain[field]
        at %= len(text)
        plain[field] = f"{text[:at]}{int(text[at], 16) ^ by:x}{text[at + 1 :]}"
    assert refused(KEY.public().check, HeadNote(**plain), "here").code == "head-forged"


def test_a_head_signed_by_another_key_or_by_none_is_refused():
    other = SigningKey(Ed25519PrivateKey.generate())
    error = refused(KEY.public().check, other.note(HEAD), "a report")
    assert (error.code, other.name in error.seen, "a report" in error.seen) == (
        "head-forged", True, True,
    )  # fmt: skip
    assert refused(KEY.public().check, note_of(HEAD, None), "here").code == "head-unsigned"


def test_the_newest_note_is_signed_once(monkeypatch):
    first = KEY.note(HEAD)
    monkeypatch.setattr(KEY, "_key", None)  # signing again would fail
    assert KEY.note(HEAD) is first


# --- key files ---------------------------------------------------------------------------------------------------------------------


def test_a_made_key_is_its_owners_alone_and_comes_back(tmp_path):
    path = tmp_path / "cell.key"
    made = make_key(path)
    assert path.stat().st_mode & 0o777 == 0o600
    note = signing_key(path).note(HEAD)
    verifying_key(public_path(path)).check(note, "here")
    assert note.key == made.name


def test_a_key_is_never_replaced(tmp_path):
    make_key(tmp_path / "cell.key")
    before = (tmp_path / "cell.key").read_bytes()
    assert refused(make_key, tmp_path / "cell.key").code == "key-there"
    (tmp_path / "cell.key.pub").rename(tmp_path / "new.pub")
    assert refused(make_key, tmp_path / "new").code == "key-there"
    assert (tmp_path / "cell.key").read_bytes() == before


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644, 0o601])
def test_a_key_that_others_can_reach_is_not_used(tmp_path, mode):
    make_key(tmp_path / "cell.key")
    (tmp_path / "cell.key").chmod(mode)
    error = refused(signing_key, tmp_path / "cell.key")
    assert (error.code, "chmod 600" in error.hint) == ("key-exposed", True)


def test_a_key_of_another_user_is_not_used(tmp_path, monkeypatch):
    make_key(tmp_path / "cell.key")
    uid = (tmp_path / "cell.key").stat().st_uid
    monkeypatch.setattr(signing.os, "geteuid", lambda: uid + 1)
    if uid:  # root's file may be used by whoever it lets read it
        assert refused(signing_key, tmp_path / "cell.key").code == "key-exposed"


def pem(key, encryption):
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, encryption)


UNUSABLE = {
    "nothing": b"",
    "text": b"secret",
    "half a key": pem(Ed25519PrivateKey.generate(), NoEncryption())[:60],
    "another kind": pem(generate_private_key(65_537, 2_048), NoEncryption()),
    "an encrypted key": pem(Ed25519PrivateKey.generate(), BestAvailableEncryption(b"word")),
    "binary": bytes(range(256)),
}


@pytest.mark.parametrize("case", sorted(UNUSABLE))
def test_a_file_that_is_no_key_is_refused_in_words(tmp_path, case):
    path = tmp_path / "cell.key"
    path.write_bytes(UNUSABLE[case])
    path.chmod(0o600)
    for read in (signing_key, verifying_key):
        error = refused(read, path)
        assert (error.code, str(path) in error.seen) == ("key-unusable", True)


def test_a_missing_key_or_a_folder_is_refused_in_words(tmp_path):
    for path in (tmp_path / "absent", tmp_path):
        for read in (signing_key, verifying_key):
            assert refused(read, path).code == "key-unusable"
    assert refused(make_key, tmp_path / "absent" / "cell.key").code == "key-unusable"


# --- files of kept heads -----------------------------------------------------------------------------------------------------------


def test_a_file_of_heads_has_one_a_line_and_all_of_them_count(tmp_path):
    path = tmp_path / "heads"
    later = Head(seq=1900, at_ms=5, digest="aa" * 32)
    path.write_text(f"{KEY.note(HEAD).text()}\n\n{KEY.note(later).text()}\n")
    found = kept_heads(path, KEY.public())
    assert [(known.seq, known.hash.hex()) for known in found] == [
        (1842, "5b" * 32), (1900, "aa" * 32),
    ]  # fmt: skip
    assert found[1].where == f"{path}, line 3"


def test_the_head_file_of_an_older_version_still_counts(tmp_path):
    path = tmp_path / "cell.db.head"
    path.write_text(json.dumps({"seq": 5, "hash": "aa" * 32}))
    assert [known.seq for known in kept_heads(path, None)] == [5]


@pytest.mark.parametrize(
    "content",
    [b"", b"\n\n", b"{}", b"[]", b"\xff\xfe", b'{"seq": 1, "hash": "zz"}', b'{"seq": 1, "hash": "aa"}',
     b'{"seq": -1, "hash": "' + b"aa" * 32 + b'"}', b'{"seq": 1.5, "hash": ""}', b"[" * 100_000],
)  # fmt: skip
def test_a_file_without_heads_is_refused_in_words(tmp_path, content):
    path = tmp_path / "heads"
    path.write_bytes(content)
    error = refused(kept_heads, path, None)
    assert (error.code, str(path) in error.seen) == ("head-unreadable", True)


@pytest.mark.property
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_no_file_of_heads_breaks_its_reader(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("heads") / "heads"
    path.write_bytes(content)
    assert refused(kept_heads, path, KEY.public()).code in {"head-unreadable", "head-unsigned"}
