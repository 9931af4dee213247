"""`pointsman keys`: what is listed, trusted, rejected and renewed."""

import json

import pytest
from typer.testing import CliRunner

from supervisor.key_verbs import verbs
from supervisor.stations.own_keys import OwnKeys
from supervisor.stations.trust import TrustList, read_certificate

pytestmark = [pytest.mark.integration, pytest.mark.timeout(60)]


@pytest.fixture
def run(tmp_path):
    """Runs a verb on a folder of keys; its exit code and what it printed."""

    def verb(*arguments):
        done = CliRunner().invoke(verbs, [*arguments, "--keys", str(tmp_path / "keys")])
        return done.exit_code, done.output

    return verb


def listed(run):
    code, text = run("list", "--json")
    assert code == 0
    return {row["where"]: row for row in json.loads(text)["certificates"]}


def test_the_list_makes_our_own_certificate_once(run):
    first, second = listed(run), listed(run)
    assert first == second
    assert list(first) == ["own"]
    assert first["own"]["uris"][0].endswith(":pointsman:supervisor")
    assert first["own"]["days_left"] >= 728


def test_the_list_says_what_stands_in_its_columns(run):
    own = listed(run)["own"]
    heads, first, second, *_ = run("list")[1].splitlines()
    assert heads.split() == ["where", "thumbprint", "ends", "days", "left", "name"]
    for head, value in {
        "where": "own",
        "thumbprint": own["thumbprint"],
        "ends": own["valid_to"][:10],
        "name": own["name"],
    }.items():
        assert first[heads.index(head) :].startswith(value)
    assert second.split() == ["application:", *own["uris"]]


def test_a_file_is_trusted_then_rejected_by_its_thumbprint(run, keys):
    code, said = run("trust", str(keys / "server.der"))
    assert (code, said.split(":")[0]) == (0, "trusted")
    thumb = listed(run)["trusted"]["thumbprint"]
    assert run("reject", thumb[:8])[0] == 0
    assert set(listed(run)) == {"own", "rejected"}
    assert run("trust", thumb[:8])[0] == 0
    assert set(listed(run)) == {"own", "trusted"}


def test_an_authority_that_completes_chains_is_no_trusted_one(run, keys):
    assert run("trust", str(keys / "server.der"), "--issuer")[0] == 0
    assert set(listed(run)) == {"own", "issuer"}


def test_a_thumbprint_that_nobody_has_is_wrong_input(run):
    code, said = run("trust", "0123456789abcdef")
    assert code == 2
    assert "names no certificate" in said
    assert "pointsman keys list" in said


def test_renewal_is_prepared_first_and_used_when_told(run, tmp_path):
    before = listed(run)["own"]["thumbprint"]
    assert run("renew")[0] == 0
    prepared = listed(run)
    assert prepared["own"]["thumbprint"] == before
    assert run("renew")[0] == 0
    assert listed(run) == prepared
    assert run("renew", "--now")[0] == 0
    after = listed(run)
    assert set(after) == {"own"}
    assert after["own"]["thumbprint"] == prepared["next"]["thumbprint"]
    assert after["own"]["uris"] == prepared["own"]["uris"]
    assert OwnKeys(tmp_path / "keys").next() is None


def test_a_spoilt_file_is_named(run, tmp_path, keys):
    trust = TrustList(tmp_path / "keys")
    trust.add(read_certificate(keys / "server.der"), "trusted")
    (trust.folder / "trusted" / "notes.der").write_bytes(b"remember the milk")
    code, said = run("list")
    assert code == 2
    assert "notes.der holds no certificate" in said
