"""Our own certificate: made once, renewed in good time without breaking a link, its key nobody else's. And secrets kept elsewhere."""

import os
import stat
from datetime import timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID

from supervisor.stations import own_keys
from supervisor.stations.own_keys import NEXT_DAYS, TAKE_DAYS, OwnKeys
from supervisor.stations.secrets import Secrets
from supervisor.stations.trust import KeysWrong


@pytest.fixture
def own(tmp_path):
    return OwnKeys(tmp_path)


def aged(own, monkeypatch, days_left):
    """A first certificate with so many days left."""
    with monkeypatch.context() as patch:
        patch.setattr(own_keys, "VALID_DAYS", days_left)
        own._made("current", "urn:test:pointsman:supervisor")
    return own


def test_the_first_start_makes_a_certificate_for_an_opc_ua_client(own):
    """OPC 10000-6 6.2.2: an application URI in subjectAltName, keyUsage and extendedKeyUsage for a client."""
    made = own.identity()
    extensions = made.certificate.extensions
    use = extensions.get_extension_for_class(x509.KeyUsage).value
    assert made.uri.endswith(":pointsman:supervisor")
    assert use.digital_signature
    assert use.content_commitment
    assert use.key_encipherment
    assert use.data_encipherment
    assert list(extensions.get_extension_for_class(x509.ExtendedKeyUsage).value) == [
        ExtendedKeyUsageOID.CLIENT_AUTH
    ]
    assert made.certificate.public_key().key_size >= 2048
    shown = x509.load_der_x509_certificate((own.folder / "current.der").read_bytes())
    assert shown == made.certificate


def test_later_starts_use_the_same(own):
    made = own.identity()
    assert OwnKeys(own.folder.parent).identity().certificate == made.certificate


def test_the_private_key_is_its_owners_alone(own):
    own.identity()
    assert stat.S_IMODE(own.folder.stat().st_mode) == 0o700
    assert stat.S_IMODE((own.folder / "current.pem").stat().st_mode) == 0o600


def test_a_key_that_others_can_read_is_not_used(own):
    own.identity()
    (own.folder / "current.pem").chmod(0o640)
    with pytest.raises(KeysWrong, match="mode 0640: others can reach the private key"):
        OwnKeys(own.folder.parent).identity()


def test_the_next_one_is_made_in_good_time_and_not_used_yet(own, monkeypatch):
    own = aged(own, monkeypatch, NEXT_DAYS - 1)
    current, following = own.identity(), own.next()
    assert following is not None
    assert following.certificate != current.certificate
    assert following.uri == current.uri
    assert following.ends - current.ends > timedelta(days=600)


def test_nothing_is_prepared_before_its_time(own, monkeypatch):
    own = aged(own, monkeypatch, NEXT_DAYS + 2)
    own.identity()
    assert own.next() is None


def test_the_next_one_is_in_use_before_the_old_one_ends(own, monkeypatch):
    own = aged(own, monkeypatch, NEXT_DAYS - 1)
    own.identity()
    following = own.next()
    monkeypatch.setattr(own_keys, "TAKE_DAYS", NEXT_DAYS)
    assert own.identity().certificate == following.certificate
    assert own.next() is None
    assert len(list(own.folder.glob("until-*.der"))) == 1
    assert TAKE_DAYS == 7


def test_a_pair_that_does_not_belong_together_is_named(own):
    made = own.identity()
    other = OwnKeys(own.folder / "other").identity()
    pem = (own.folder / "current.pem").read_bytes()
    key = pem[: pem.index(b"-----BEGIN CERTIFICATE")]
    (own.folder / "current.pem").write_bytes(key + other.certificate.public_bytes(Encoding.PEM))
    with pytest.raises(KeysWrong, match="do not belong together"):
        OwnKeys(own.folder.parent).identity()
    assert made.certificate != other.certificate


# --- secrets ------------------------------------------------------------------------------------------------------------------


def test_a_secret_comes_from_the_environment():
    assert Secrets({"POINTSMAN_SECRET_TOUCH_1": "s"}).text("touch-1") == "s"


@pytest.mark.parametrize("variable", ["POINTSMAN_SECRETS", "CREDENTIALS_DIRECTORY"])
def test_a_secret_comes_from_a_file_without_its_line_end(variable, tmp_path):
    (tmp_path / "touch-1").write_text("s p\n")
    (tmp_path / "touch-1").chmod(0o600)
    assert Secrets({variable: str(tmp_path)}).text("touch-1") == "s p"


def test_a_file_that_everybody_can_read_is_no_secret(tmp_path):
    (tmp_path / "touch-1").write_text("canary")
    (tmp_path / "touch-1").chmod(0o644)
    with pytest.raises(KeysWrong, match="everybody on this machine can read the secret") as caught:
        Secrets({"POINTSMAN_SECRETS": str(tmp_path)}).text("touch-1")
    assert "canary" not in str(caught.value)


def test_the_cell_folder_is_no_place_for_secrets(tmp_path):
    folder = tmp_path / "cell" / "secrets"
    folder.mkdir(parents=True)
    with pytest.raises(KeysWrong, match="lies in the cell folder, which is copied and shared"):
        Secrets({"POINTSMAN_SECRETS": str(folder)}, tmp_path / "cell").text("touch-1")


@pytest.mark.skipif(os.geteuid() == 0, reason="root can write everywhere")
def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(KeysWrong, match="name another folder with --keys"):
        OwnKeys(tmp_path / "keys").identity()
