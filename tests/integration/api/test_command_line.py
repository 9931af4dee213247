"""The command line in processes of its own: exit codes, JSON on standard output, no traceback."""

import json
import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from supervisor import cli
from supervisor.cell.canonical import cell_to_json
from supervisor.store import StoreError, open_store

pytestmark = [pytest.mark.system, pytest.mark.timeout(120)]


def pointsman(*arguments, **environment):
    return subprocess.run(
        [sys.executable, "-m", "supervisor", *arguments],
        capture_output=True, text=True, check=False, timeout=100,
        env={**os.environ, **environment},
    )  # fmt: skip


@pytest.fixture(scope="module")
def kept(past, tmp_path_factory):
    """A database with the past in it."""
    database = tmp_path_factory.mktemp("kept") / "cell.db"
    with open_store(str(database), durability="process-safe") as store:
        store.declarations.keep(past.cell.digest, cell_to_json(past.cell))
        store.journal.append(past.entries)
    return database


def test_check_says_that_the_example_cell_can_be_used(repository):
    answer = pointsman("check", str(repository / "deploy/cells/vane-pumps"), "--json")
    assert answer.returncode == 0
    assert json.loads(answer.stdout)["ok"] is True
    assert answer.stderr == ""


def test_check_answers_no_to_a_cell_with_errors(repository, tmp_path):
    broken = tmp_path / "cell"
    shutil.copytree(repository / "deploy/cells/vane-pumps", broken)
    text = (broken / "cell.yaml").read_text()
    (broken / "cell.yaml").write_text(text.replace("profile: machine-vision", "profile: magic"))
    answer = pointsman("check", str(broken))
    assert answer.returncode == 1
    assert "magic" in answer.stdout
    refused = pointsman("serve", str(broken), "--database", str(tmp_path / "x.db"))
    assert refused.returncode == 2
    assert "magic" in refused.stderr
    assert not (tmp_path / "x.db").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "absent"],
        ["serve", "absent"],
        ["verify", "absent.db"],
        ["replay", "absent.db"],
        ["record", "1", "--database", "absent.db"],
        ["record", "1", "--database", "ftp://somewhere"],
        ["verify"],
        ["dance"],
    ],
    ids=" ".join,
)
def test_wrong_input_is_2_with_a_word_about_it(arguments):
    answer = pointsman(*arguments)
    assert answer.returncode == 2
    assert answer.stdout == ""
    assert answer.stderr
    assert "Traceback" not in answer.stderr


def test_a_record_is_shown_verdict_first(kept, past):
    answer = pointsman("record", past.serials[0], "--database", str(kept))
    assert answer.returncode == 0
    assert answer.stdout.startswith(("conforming", "nonconforming", "undecided"))
    assert past.serials[0] in answer.stdout.splitlines()[0]


def test_a_record_in_a_file_loses_nothing_to_the_width_of_a_table(kept, past):
    said = pointsman("record", past.serials[0], "--database", str(kept)).stdout
    record = json.loads(
        pointsman("record", past.serials[0], "--database", str(kept), "--json").stdout
    )
    assert "…" not in said
    for finding in record["findings"]:
        assert f"{finding['name']}, {finding['kind']}" in said
    for evidence in (finding["decided_by"] for finding in record["findings"]):
        assert (
            f"{evidence['station']}, {evidence['program']} revision {evidence['program_revision']}, "
            f"run {evidence['run_id']}: "
        ) in said


def test_a_record_as_json_is_the_interfaces_record(kept, past):
    answer = pointsman("record", past.serials[0], "--json", POINTSMAN_DATABASE=f"sqlite:///{kept}")
    record = json.loads(answer.stdout)
    assert record["serial"] == past.serials[0]
    assert record["findings"]


def test_no_record_is_the_answer_no(kept):
    answer = pointsman("record", "absent", "--database", str(kept))
    assert (answer.returncode, answer.stdout) == (1, "")
    assert "absent" in answer.stderr


def test_a_pallet_is_explained_from_the_journal_with_what_else_was_possible(kept, past):
    pallets = sorted(set(_carried(past)))
    answer = pointsman("explain", pallets[0], "--last", "50", "--database", str(kept))
    assert answer.returncode == 0, answer.stderr
    assert pallets[0] in answer.stdout
    assert "because " in answer.stdout
    assert "not " in answer.stdout
    told = json.loads(pointsman("explain", pallets[0], "--database", str(kept), "--json").stdout)
    assert told["pallet"] == pallets[0]
    assert any(each["pallet"] == pallets[0] for each in told["decisions"])


def _carried(past):
    """The pallets that the handler was ordered to pick up."""
    for entry in past.entries:
        for command in entry.commands:
            picked = getattr(getattr(command, "goal", command), "picked", "")
            if picked:
                yield picked


def test_a_pallet_that_nobody_knows_is_not_explained_and_those_that_are_there_are_named(kept, past):
    answer = pointsman("explain", "absent", "--database", str(kept))
    assert (answer.returncode, answer.stdout) == (1, "")
    assert "absent" in answer.stderr
    named = [line.strip() for line in answer.stderr.splitlines()[1:]]
    assert sorted(named) == sorted(set(_carried(past)))
    assert pointsman("explain", named[-1], "--database", str(kept)).returncode == 0


def test_a_supervisor_that_is_not_there_cannot_explain():
    answer = pointsman("explain", "any", "--url", "http://127.0.0.1:9")
    assert answer.returncode == 2
    assert "Is it running there?" in answer.stderr


def test_what_is_no_supervisor_cannot_explain_either():
    """Another program listens there, and ends the connection amid a line that is not HTTP."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def answers_once():
            connection, _ = listening.accept()
            connection.recv(65_536)
            connection.sendall(b"HEL")
            connection.close()

        answering = threading.Thread(target=answers_once)
        answering.start()
        url = f"http://127.0.0.1:{listening.getsockname()[1]}"
        answer = pointsman("explain", "any", "--url", url)
        answering.join()
    assert answer.returncode == 2
    assert f"No supervisor answers at {url}" in answer.stderr


def test_a_whole_journal_verifies_and_replays(kept, past):
    verified = pointsman("verify", str(kept), "--json")
    assert verified.returncode == 0
    assert json.loads(verified.stdout)["entries"] == len(past.entries)
    replayed = pointsman("replay", str(kept), "--json")
    assert replayed.returncode == 0, replayed.stdout
    assert json.loads(replayed.stdout)["differences"] == 0


def test_a_changed_entry_is_found_by_its_number(kept, tmp_path):
    changed = tmp_path / "changed.db"
    shutil.copy(kept, changed)
    _change(
        changed, "UPDATE journal SET body = replace(body, '\"closed\"', '\"open\"') WHERE seq = 100"
    )
    _change(changed, "UPDATE journal SET at_ms = at_ms + 1 WHERE seq = 100")
    answer = pointsman("verify", str(changed))
    assert answer.returncode == 1
    assert "entry 100" in answer.stdout


def test_a_decision_that_would_be_another_today_is_named(kept, past, tmp_path):
    """An old journal in which a command is missing: today's core gives it."""
    changed = tmp_path / "changed.db"
    shutil.copy(kept, changed)
    entry = next(e for e in past.entries if len(e.commands) == 1)
    _change(
        changed,
        f"UPDATE journal SET body = json_set(body, '$.commands', json('[]')) WHERE seq = {entry.seq}",
    )
    answer = pointsman("replay", str(changed), "--json")
    report = json.loads(answer.stdout)
    assert answer.returncode == 1
    assert report["first"]["seq"] == entry.seq
    assert report["first"]["recorded"] == []
    assert report["first"]["decided"][0][0] == type(entry.commands[0]).__name__
    text = pointsman("replay", str(changed)).stdout
    assert f"entry {entry.seq}" in text
    assert f"only decided now: {type(entry.commands[0]).__name__}" in text


def _change(database, statement):
    connection = sqlite3.connect(database)
    connection.execute("PRAGMA wal_checkpoint")
    connection.execute(statement)
    connection.commit()
    connection.close()


def test_the_bench_gets_its_options_as_they_were_given():
    answer = pointsman("bench", "--help")
    assert answer.returncode == 0
    assert "--pallets" in answer.stdout
    wrong = pointsman("bench", "--pallets", "many")
    assert wrong.returncode == 2


# --- what ends a process ----------------------------------------------------------------------------------------------------


def test_a_defect_is_3_and_its_details_are_in_a_file(capsys):
    death = RuntimeError("the wheel came off")
    death.add_note("in the task 'scan-1'")
    assert cli._failed(ExceptionGroup("tasks", [death])) == 3
    said = capsys.readouterr().err
    assert "RuntimeError: the wheel came off in the task 'scan-1'" in said
    assert "Traceback" not in said
    [name] = re.findall(r"details are in (\S+):", said)
    details = Path(name)
    assert "the wheel came off" in details.read_text(encoding="utf-8")
    details.unlink()


def test_a_store_that_was_lost_while_driving_is_the_answer_no(capsys):
    lost = StoreError("fence-lost", "cell.db was taken by another supervisor", "This one must end")
    assert cli._failed(ExceptionGroup("tasks", [lost])) == 1
    assert capsys.readouterr().err == "cell.db was taken by another supervisor. This one must end\n"


def test_a_plan_is_imported_into_a_file_and_none_is_written_over(tmp_path):
    table = tmp_path / "plan.csv"
    table.write_text("number,name,kind,nominal,plus_minus\n1,Width,width,30,0.01\n")
    target = tmp_path / "cam-ring.yaml"
    command = [
        "plan", "import", str(table), "--part-type", "cam-ring", "--title", "Cam ring",
        "--gtin", "09521234001027", "--revision", "B", "--output", str(target),
    ]  # fmt: skip
    answer = pointsman(*command)
    assert (answer.returncode, answer.stderr) == (0, "")
    assert "part_type: cam-ring" in target.read_text()
    again = pointsman(*command)
    assert again.returncode == 2
    assert "is there already" in again.stderr


def test_a_plan_with_a_mistake_is_not_written(tmp_path):
    table = tmp_path / "plan.csv"
    table.write_text("number,name,kind,nominal,plus_minus\n1,Width,widht,30,0.01\n")
    target = tmp_path / "cam-ring.yaml"
    answer = pointsman(
        "plan", "import", str(table), "--part-type", "cam-ring", "--title", "Cam ring",
        "--gtin", "09521234001027", "--revision", "B", "--output", str(target),
    )  # fmt: skip
    assert answer.returncode == 2
    assert f"{table}:2:1 kind:" in answer.stderr
    assert "Traceback" not in answer.stderr
    assert not target.exists()
