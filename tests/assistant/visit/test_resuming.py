"""Going on with a visit: by what it was begun with, at its very end, and beside another process."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from assistant.cli import cli
from assistant.errors import JournalError
from assistant.visit.folders import latest
from assistant.visit.journal import FILE, Journal, read
from assistant.visit.kept_plan import FILE as PLAN
from assistant.visit.kept_plan import keep, kept
from assistant.visit.plans import kept_plan, ready_plan
from assistant.visit.replay import standing
from assistant.visit.resuming import resuming
from assistant.visit.visit import Visit, opening
from flows.procedure.schema import PROCEDURES, load_procedure
from flows.talk.dialogue import begin
from grammar.errors import TwohandsError
from tests.assistant.visit.test_visit import ANSWERS, Noted, Scripted
from tests.flows.talking import CLOSE_UP, OFF, ON, START, WARM


def run(visits: Path, *more: str, typed: str = "") -> str:
    done = CliRunner().invoke(cli, ["run", "--typed", "--visits", str(visits), *more], input=typed)
    if isinstance(done.exception, TwohandsError):
        return done.output + done.exception.text
    assert done.exception is None or isinstance(done.exception, SystemExit), done.output
    return done.output


def lines(*said: str) -> str:
    """What is typed, a line each."""
    return "\n".join(said) + "\n"


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """A trainer's own procedure."""
    path = tmp_path / "own.yaml"
    path.write_text(
        (PROCEDURES / "flame_sensing.yaml").read_text(encoding="utf-8").replace("id: flame_sensing", "id: our_own", 1),
        encoding="utf-8",
    )
    return path


def test_a_visit_by_a_trainers_own_procedure_goes_on_after_its_file_is_gone(tmp_path: Path, own: Path) -> None:
    visits = tmp_path / "visits"
    run(visits, "--procedure", str(own), typed=lines(*START, "121.3", "yes"))
    own.unlink()
    said = run(visits, "--resume", typed="121\nyes\n")
    assert "cannot be loaded any more" in said and "Welcome back" in said
    events, _ = read(latest(visits))
    assert events[0]["procedure"] == "our_own"
    assert [one["value"] for one in events if one["kind"] == "reading"] == [121.3, 121.0]


def test_a_procedure_that_was_changed_meanwhile_is_told_and_not_used(tmp_path: Path, own: Path) -> None:
    visits = tmp_path / "visits"
    run(visits, "--procedure", str(own), typed=lines(*START))
    own.write_text(
        own.read_text(encoding="utf-8").replace("Check one. The dial", "Check one once again. The dial"),
        encoding="utf-8",
    )
    said = run(visits, "--resume", typed="")
    assert "The procedure has changed since this visit began." in said
    assert "Check one. The dial stays on A C volts." in said and "once again" not in said


def test_what_a_visit_goes_by_survives_its_file_exactly(tmp_path: Path) -> None:
    for name, language in (("flame_sensing", ""), ("igniter_check", ""), ("flame_sensing", "es")):
        plan = ready_plan(name, "larkspur", "dunlin", language)
        folder = tmp_path / f"{name}{language}"
        was = kept(folder, {"kept": keep(folder, plan, name)})
        again = kept_plan(was.procedure, was.equipment, was.meter)
        assert (again.procedure, again.equipment, again.meter, again.limits, again.lines) == (
            plan.procedure,
            plan.equipment,
            plan.meter,
            plan.limits,
            plan.lines,
        )


def test_a_kept_procedure_that_was_changed_is_refused(tmp_path: Path) -> None:
    visits = tmp_path / "visits"
    run(visits, typed="the air is clear\n")
    path = latest(visits) / PLAN
    path.write_text(
        path.read_text(encoding="utf-8").replace('"may_skip": false', '"may_skip": true', 1), encoding="utf-8"
    )
    assert "was changed since the visit began" in run(visits, "--resume")
    path.unlink()
    assert "cannot be read from plan.json" in run(visits, "--resume")


@pytest.fixture(scope="module")
def plan():
    return ready_plan("flame_sensing", "larkspur", "dunlin")


def finished(visits: Path, plan, *given: str) -> Path:
    """A whole visit in a folder of visits, as `run` would leave it."""
    folder = visits / "v"
    digests = keep(folder, plan, "flame_sensing")
    journal = Journal(folder)
    journal.write(
        "visit",
        {
            **opening(plan, visit="v", engine="typed", voice="none", program="test", invented=True),
            "number": 1,
            "kept": digests,
        },
    )
    Visit(plan, Scripted(*given), Noted(journal), journal).run(*begin(plan))
    journal.close()
    return folder


def test_cut_off_before_its_end_line_a_visit_still_ends(tmp_path: Path, plan) -> None:
    folder = finished(tmp_path, plan, *START, "stop", *OFF, *CLOSE_UP, *WARM, *ON)
    assert read(folder)[0][-1]["kind"] == "end" and latest(tmp_path) is None
    lines = (folder / FILE).read_bytes().splitlines(keepends=True)
    for left in range(1, sum(b'"kind": "said"' in one for one in lines[-8:]) + 2):
        (folder / FILE).write_bytes(b"".join(lines[:-left]))
        if json.loads(lines[-left - 1])["kind"] == "heard":
            break
    assert latest(tmp_path) == folder
    said = run(tmp_path, "--resume")
    assert "its record is whole now" in said
    assert read(folder)[0][-1]["kind"] == "end" and latest(tmp_path) is None
    assert "There is no visit to go on with." in run(tmp_path, "--resume")


def test_a_record_that_walks_otherwise_than_it_was_written_is_not_gone_on_with(tmp_path: Path, plan) -> None:
    """A later program may ask in another order; where it would stand elsewhere it must not pretend."""
    folder = finished(tmp_path, plan, *ANSWERS)
    events, _ = read(folder)
    assert standing(plan, events).unsaved == ()
    place = next(at for at, one in enumerate(events) if one["kind"] == "reading")
    with pytest.raises(JournalError, match="cannot be walked through again"):
        standing(plan, [*events[:place], {**events[place], "value": 99.0}, *events[place + 1 :]])
    with pytest.raises(JournalError, match=r"holds more than its answers lead to|cannot be walked"):
        standing(plan, [*events, {**events[place], "seq": len(events) + 1}])


def test_two_processes_cannot_be_on_one_visit(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "assistant", "run", "--typed", "--visits", str(tmp_path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as first:
        while "smell the air" not in first.stdout.readline():
            assert first.poll() is None
        second = subprocess.run(
            [*command, "--resume"], input="the air is clear\n", capture_output=True, text=True, timeout=60, check=False
        )
        assert (
            second.returncode == 1
            and "Another Twohands is on the visit" in second.stderr
            and "Traceback" not in second.stderr
        )
        first.communicate("the air is clear\n", timeout=60)
    events, _ = read(latest(tmp_path))
    assert [one["seq"] for one in events] == list(range(1, len(events) + 1))


@pytest.mark.parametrize(
    "raw",
    [
        b"\xff\xfe\x00\n",
        b"\xc3\n",
        b"x" * 3_000_000 + b"\n",
        b"\x00\x1b[2J\n",
        "1\ud8002\n".encode("utf-8", "surrogatepass"),
    ],
)
def test_a_keyboard_may_send_anything(tmp_path: Path, raw: bytes) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "assistant", "run", "--typed", "--visits", str(tmp_path)],
        input=raw + b"the air is clear\n",
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert b"Traceback" not in done.stderr
    heard = [one for one in read(latest(tmp_path))[0] if one["kind"] == "heard"]
    assert [one["answer"]["type"] for one in heard] == ["unclear", "choice"]
    assert len(heard[0]["text"]) <= 500


def test_only_doubtful_answers_and_notes_keep_their_sound(tmp_path: Path, plan) -> None:
    said = (
        *START,
        "121.3",
        "no one two two",
        "yes",
        "9000",
        "take a note",
        "the burner looks rusty",
        "end note",
        "rubbish words",
    )
    kept_by: dict[str, list[str]] = {}
    for keep_sound in ("all", "doubtful", "none"):
        journal = Journal(tmp_path / keep_sound)
        journal.write("visit", opening(plan, visit="v", engine="typed", voice="none", program="test", invented=True))
        Visit(plan, Scripted(*said), Noted(journal), journal, keep_sound=keep_sound).run(*begin(plan))
        journal.close()
        events = read(journal.folder)[0]
        kept_by[keep_sound] = [one["text"] for one in events if one["kind"] == "heard" and one["snippet"]] + [
            one["file"] for one in events if one["kind"] == "memo" and one["file"]
        ]
        assert len(list((journal.folder / "audio").iterdir())) == len(kept_by[keep_sound])
    assert len(kept_by["all"]) == len(said) + 1 and kept_by["none"] == []
    assert [one for one in kept_by["doubtful"] if "memo" not in one] == [
        "no one two two",
        "9000",
        "the burner looks rusty",
    ]


def test_a_visit_from_before_procedures_were_kept_takes_one_that_is_named(tmp_path: Path, own: Path) -> None:
    folder = tmp_path / "visits" / "v"
    folder.mkdir(parents=True)
    first = {
        "v": 1,
        "seq": 1,
        "at": "2026-03-02T14:05:06+00:00",
        "kind": "visit",
        "visit": "v",
        "procedure": "our_own",
        "procedure_version": load_procedure("flame_sensing").version,
        "equipment": "larkspur",
        "meter": "dunlin",
        "language": "en",
    }
    (folder / FILE).write_text(json.dumps(first) + "\n")
    back = resuming(tmp_path / "visits", "v", str(own), print)
    back.journal.close()
    assert back.plan.procedure.id == "our_own"
