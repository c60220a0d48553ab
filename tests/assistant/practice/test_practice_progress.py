"""The record of practice and the progress told from it; mistakes on the command line."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from assistant.cli import cli
from assistant.errors import JournalError
from assistant.practice import record
from tests.assistant.practice.practising import DEAD, practise


def test_progress_over_sessions(tmp_path):
    practise(tmp_path, "ohms from line to neutral", "my answer is coated rod")
    practise(tmp_path, *DEAD, "ohms from burner to board ground", "my answer is corroded burner ground")
    practise(tmp_path, "i do not know", trainee="Sam")
    output = CliRunner().invoke(cli, ["practice", "--progress", "Robin", "--record", str(tmp_path)]).output
    assert "Exercises: 2. Faults found: 1 of 2 answered." in output
    assert "Slips stopped: 1 in all; 1.0 an exercise in the first half, 0.0 since." in output
    assert "Missed: a corroded burner ground." in output and "Sam" not in output
    rows = [line for line in output.splitlines() if re.match(r"\d{4}-", line)]
    assert len(rows) == 2 and "wrong" in rows[0] and "right" in rows[1]


def test_progress_of_nobody_names_who_is_there(tmp_path):
    practise(tmp_path, "i do not know")
    done = CliRunner().invoke(
        cli, ["practice", "--progress", "Nobody", "--record", str(tmp_path)], standalone_mode=False
    )
    assert (
        isinstance(done.exception, JournalError)
        and done.exception.text == "There is no exercise by 'Nobody' on record. On record: Robin."
    )
    with pytest.raises(JournalError, match=r"no practice record in .* Practise first"):
        record.read(tmp_path / "elsewhere")


def test_a_torn_line_costs_only_itself(tmp_path):
    practise(tmp_path, "i do not know")
    path = tmp_path / record.FILE
    with path.open("a") as file:
        file.write('{"v": 1, "trainee": "Rob')
    practise(tmp_path, "i do not know")
    sessions, torn = record.read(tmp_path)
    assert len(sessions) == 2 and torn == 1
    output = CliRunner().invoke(cli, ["practice", "--progress", "Robin", "--record", str(tmp_path)]).output
    assert "1 line of the record could not be read and is left out." in output


def test_lines_are_forced_to_the_disk_and_never_rewritten(tmp_path, monkeypatch):
    synced = []
    real = record.os.fsync
    monkeypatch.setattr(record.os, "fsync", lambda handle: (synced.append(handle), real(handle)))
    record.add(tmp_path, {"trainee": "Robin"})
    before = (tmp_path / record.FILE).read_bytes()
    record.add(tmp_path, {"trainee": "Sam"})
    assert len(synced) == 2 and (tmp_path / record.FILE).read_bytes().startswith(before)


def test_a_record_that_cannot_be_written_is_one_plain_sentence(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(
        JournalError,
        match=r"can't be written \(.+\)\. Check the folder and its rights, or choose another with --record\.",
    ):
        record.add(tmp_path / "file", {"trainee": "Robin"})


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--fault", "gremlins"], "There is no fault called 'gremlins'. Choose one of:"),
        (["--seed", "-1"], "Invalid value for '--seed'"),
    ],
)
def test_mistakes_on_the_command_line_are_told_without_a_traceback(arguments, words, tmp_path):
    command = [
        sys.executable,
        "-m",
        "assistant",
        "practice",
        "--free",
        "--typed",
        "--record",
        str(tmp_path),
        *arguments,
    ]
    done = subprocess.run(command, input="", capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode not in (0, 130) and words in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / record.FILE).exists()
