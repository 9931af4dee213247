"""Backup, restore, verify, accept and key on the command line."""

import io
import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from types import SimpleNamespace

import pytest

from supervisor.cell.canonical import cell_to_json
from supervisor.cli import main
from supervisor.store import open_store
from supervisor.store.signing import make_key

pytestmark = [pytest.mark.system, pytest.mark.timeout(120)]


def pointsman(*arguments):
    """The program in this process: a process of its own takes seconds on a small machine."""
    out, err = io.StringIO(), io.StringIO()
    with (
        pytest.MonkeyPatch.context() as patched,
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        patched.setattr(sys, "argv", ["pointsman", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
    return SimpleNamespace(
        returncode=ended.value.code, stdout=out.getvalue(), stderr=err.getvalue()
    )


def serve(cell, *arguments):
    """``serve`` has an event loop, signals and a log of its own, so it gets a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "supervisor", "serve", "deploy/cells/vane-pumps", "--port", "0",
         "--database", str(cell / "cell.db"), *map(str, arguments)],
        capture_output=True, text=True, check=False, timeout=100,
    )  # fmt: skip


@pytest.fixture(scope="module")
def kept(past, tmp_path_factory):
    """A folder with a closed store, its key and a signed head that was kept on the way."""
    folder = tmp_path_factory.mktemp("kept")
    seal = make_key(folder / "cell.key")
    with open_store(str(folder / "cell.db"), seal=seal) as store:
        store.declarations.keep(past.cell.digest, cell_to_json(past.cell))
        store.journal.append(past.entries[:250])
        (folder / "heads").write_text(store.head_note(seal).text() + "\n")
        store.journal.append(past.entries[250:])
    return folder


@pytest.fixture
def cell(kept, tmp_path):
    """A copy of it that a test may hurt."""
    shutil.copytree(kept, tmp_path / "cell")
    return tmp_path / "cell"


def hurt(database, *statements):
    connection = sqlite3.connect(database)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def test_a_backup_verifies_by_itself_and_by_a_kept_head(kept, past, tmp_path):
    made = pointsman("backup", kept / "cell.db", tmp_path / "b", "--signing-key", kept / "cell.key")
    assert made.returncode == 0, made.stderr
    assert f"{len(past.entries)} entries" in made.stdout
    (tmp_path / "heads").write_text(made.stdout.partition("machine: ")[2])
    for heads in (kept / "heads", tmp_path / "heads"):
        proven = pointsman(
            "verify", tmp_path / "b", "--head", heads, "--key", kept / "cell.key.pub"
        )
        assert proven.returncode == 0, proven.stdout + proven.stderr
        assert "1 kept heads in their places" in proven.stdout


def test_restoring_says_what_is_lost_and_the_new_store_verifies_and_replays(kept, tmp_path):
    assert pointsman("backup", kept / "cell.db", tmp_path / "b").returncode == 0
    target = tmp_path / "new.db"
    made = pointsman("restore", tmp_path / "b", target, "--by", "M. Weaver", "--why", "fire")
    assert made.returncode == 0, made.stderr
    assert "comes up paused" in made.stdout
    assert pointsman("verify", target, "--head", kept / "heads").returncode == 0
    assert pointsman("replay", target).returncode == 0
    again = pointsman("restore", tmp_path / "b", target, "--by", "M", "--why", "x")
    assert (again.returncode, "holds a store already" in again.stderr) == (2, True)


def test_a_cut_journal_is_refused_by_serve_then_accepted_and_the_kept_head_remembers(cell):
    hurt(cell / "cell.db", "DELETE FROM journal WHERE seq > 200")
    served = serve(cell)
    assert served.returncode == 1
    assert "its end was cut off" in served.stderr
    assert "pointsman accept" in served.stderr
    assert "Traceback" not in served.stderr
    nameless = pointsman("accept", cell / "cell.db", "--by", " ", "--why", "x")
    assert nameless.returncode == 2
    made = pointsman("accept", cell / "cell.db", "--by", "M. Weaver", "--why", "disk", "--json")
    assert made.returncode == 0, made.stderr
    assert json.loads(made.stdout)["note"]["seq"] == 201
    assert pointsman("verify", cell / "cell.db").returncode == 0
    proven = pointsman("verify", cell / "cell.db", "--head", cell / "heads", "--json")
    assert proven.returncode == 1
    assert "M. Weaver gave history up" in json.loads(proven.stdout)["fault"]["what"]
    assert pointsman("accept", cell / "cell.db", "--by", "M", "--why", "x").returncode == 1


def test_serve_refuses_to_run_short_of_a_signed_head(cell):
    hurt(
        cell / "cell.db", "DELETE FROM journal WHERE seq > 200",
        "UPDATE meta SET head_seq = 200, head_hash = (SELECT hash FROM journal WHERE seq = 200)",
    )  # fmt: skip
    (cell / "cell.db.head").unlink()
    served = serve(cell, "--head", cell / "heads", "--key", cell / "cell.key.pub")
    assert served.returncode == 1
    assert "heads, line 1 knows entry 250" in served.stderr


def test_a_forged_head_proves_nothing(cell):
    note = json.loads((cell / "heads").read_text())
    (cell / "heads").write_text(json.dumps({**note, "seq": 249}))
    answer = pointsman(
        "verify", cell / "cell.db", "--head", cell / "heads", "--key", cell / "cell.key.pub"
    )
    assert answer.returncode == 1
    assert "was not signed by key" in answer.stderr


def test_a_key_is_made_once_and_refused_where_others_can_read_it(tmp_path, kept):
    made = pointsman("key", tmp_path / "my.key", "--json")
    assert made.returncode == 0
    assert len(json.loads(made.stdout)["key"]) == 16
    assert "PRIVATE" not in made.stdout
    assert pointsman("key", tmp_path / "my.key").returncode == 2
    (tmp_path / "my.key").chmod(0o644)
    answer = pointsman(
        "backup", kept / "cell.db", tmp_path / "b", "--signing-key", tmp_path / "my.key"
    )
    assert (answer.returncode, "chmod 600" in answer.stderr) == (2, True)
    assert not (tmp_path / "b").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["backup", "absent.db", "b"],
        ["restore", "absent", "x.db", "--by", "M", "--why", "x"],
        ["restore", "absent", "x.db"],
        ["accept", "absent.db"],
        ["verify", "."],
        ["verify", "absent.db", "--head", "absent"],
        ["key"],
    ],
    ids=" ".join,
)
def test_wrong_input_is_2_with_a_word_about_it(arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    answer = pointsman(*arguments)
    assert (answer.returncode, answer.stdout) == (2, "")
    assert answer.stderr
    assert "Traceback" not in answer.stderr
    assert not (tmp_path / "x.db").exists()
