"""What a user keeps for every command: shown, set, taken out, refused with file and line, and overridden."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from assistant import settings as kept
from assistant.cli import TAKES_SETTINGS, cli
from assistant.commands import room_check
from assistant.errors import AudioError, SettingsError
from assistant.hearing.audio import live
from grammar.errors import DataFileError
from tests.assistant.hearing.engines.test_engines_boundary import FakeSound


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "config" / "settings.yaml"
    monkeypatch.setenv(kept.PLACE, str(path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return path


def call(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(cli, list(words), input=typed, standalone_mode=False)


def first_line(visits: Path) -> dict:
    [folder] = visits.iterdir()
    return json.loads((folder / "journal.jsonl").read_text().splitlines()[0])


def test_without_a_file_nothing_is_set_and_the_place_is_told(file: Path) -> None:
    done = call("settings")
    assert "Nothing is set." in done.output and f"File: {file} (not there yet)" in done.output
    assert not file.exists() and kept.settings().all_set == {}


def test_one_is_set_shown_and_taken_out(file: Path) -> None:
    assert call("settings", "technician", "M. Oduya").exception is None
    assert call("settings", "meter", "dunlin").exception is None
    assert kept.settings().all_set == {"technician": "M. Oduya", "meter": "dunlin"}
    shown = call("settings").output
    assert "technician   M. Oduya\n" in shown and shown.startswith(f"File: {file}\n")
    assert call("settings", "technician").output == "M. Oduya\n"
    assert file.stat().st_mode & 0o077 == 0, "the file holds a name"
    assert call("settings", "--remove", "technician").exception is None
    assert kept.settings().all_set == {"meter": "dunlin"}
    assert call("settings", "technician").output.startswith("technician is not set.")


def test_what_a_person_wrote_beside_it_stays(file: Path) -> None:
    file.parent.mkdir()
    file.write_text("# mine\nformat: 1\nrate: fast  # I listen fast\nmeter: dunlin")
    kept.set_one("meter", None)
    kept.set_one("technician", "N. Ruiz: senior")
    assert file.read_text() == "# mine\nformat: 1\nrate: fast  # I listen fast\ntechnician: 'N. Ruiz: senior'\n"


@pytest.mark.parametrize("text", ["", "{format: 1}\n", "technician: >\n  A.\n  Bell\n", "---\nformat: 1\n...\n"])
def test_every_way_to_write_the_file_can_be_changed(file: Path, text: str) -> None:
    file.parent.mkdir()
    file.write_text(text)
    kept.set_one("technician", "M. Oduya")
    assert kept.settings().all_set == {"technician": "M. Oduya"}


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("meter", "spoon", "none of"),
        ("equipment", "not_there.yaml", "nor a YAML file that is there"),
        ("language", "xx", "none of en, es"),
        ("rate", "hasty", "'slow', 'normal' or 'fast'"),
        ("engine", "ear", "none of auto"),
        ("keep_sound", "some", "'all', 'doubtful' or 'none'"),
        ("technician", "", "at least 1 character"),
        ("technician", "a\x1b[2Jb", "one line"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(file: Path, name: str, value: str, said: str) -> None:
    kept.set_one("rate", "slow")
    before = file.read_text()
    done = call("settings", name, value)
    assert isinstance(done.exception, SettingsError) and said in done.exception.text
    assert file.read_text() == before


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("format: 1\nmetre: dunlin\n", 2, "'metre' is not a key known here"),
        ("format: 1\nrate: slow\nmeter: spoon\n", 3, "none of"),
        ("format: 2\n", 1, "'format'"),
        ("format: 1\ntechnician: [a\n", 3, "not well-formed"),
        ("- a\n", 1, "the file"),
    ],
)
def test_a_wrong_file_is_told_with_its_line_by_every_command_that_takes_it(
    file: Path, text: str, line: int, said: str
) -> None:
    file.parent.mkdir()
    file.write_text(text)
    for words in (["settings"], ["settings", "my_voice", "ana"], ["run", "--typed"], ["check"]):
        done = call(*words)
        assert isinstance(done.exception, DataFileError), words
        assert "settings.yaml, line" in done.exception.text and said in done.exception.text
        assert words != ["settings"] or done.output == f"File: {file}\n"
        assert (done.exception.line, bool(done.exception.remedy)) == (line, True)
    assert file.read_text() == text


def test_a_setting_that_went_wrong_by_itself_can_be_taken_out(file: Path, tmp_path: Path) -> None:
    own = tmp_path / "mine.yaml"
    own.write_text("x: 1\n")
    kept.set_one("equipment", str(own))
    own.unlink()
    with pytest.raises(DataFileError, match="equipment"):
        kept.settings()
    kept.set_one("equipment", None)
    assert kept.settings().all_set == {}


def test_a_path_is_kept_whole(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("mine.yaml").write_text("x: 1\n")
    kept.set_one("meter", "mine.yaml")
    assert kept.settings().meter == str(tmp_path / "mine.yaml")


def test_a_visit_takes_the_settings_and_the_command_line_goes_first(file: Path, tmp_path: Path) -> None:
    for name, value in (("technician", "M. Oduya"), ("language", "es"), ("keep_sound", "none")):
        kept.set_one(name, value)
    call("run", "--typed", "--visits", str(tmp_path / "a"), typed="alto\n")
    call(
        "run", "--typed", "--visits", str(tmp_path / "b"), "--technician", "N. Ruiz", "--language", "en", typed="stop\n"
    )
    one, other = first_line(tmp_path / "a"), first_line(tmp_path / "b")
    assert (one["technician"], one["language"]) == ("M. Oduya", "es")
    assert (other["technician"], other["language"]) == ("N. Ruiz", "en")


def test_practice_takes_only_profiles_that_ship(file: Path, tmp_path: Path) -> None:
    own = tmp_path / "mine.yaml"
    own.write_text("x: 1\n")
    kept.set_one("equipment", str(own))
    kept.set_one("meter", "dunlin")
    kept.set_one("technician", "M. Oduya")
    assert kept.defaults("practice") == {"meter": "dunlin"}
    assert kept.defaults("run") == {"equipment": str(own), "meter": "dunlin", "technician": "M. Oduya"}


def test_a_microphone_that_is_set_is_taken_by_check_and_run(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room_check, "library", lambda: FakeSound(names=("built-in", "Headset")))
    monkeypatch.setattr(live, "library", lambda: FakeSound(names=("built-in", "Headset")))
    monkeypatch.setattr(room_check, "_from_microphone", lambda sound, name: lambda seconds: room_check.np.zeros(0))
    kept.set_one("microphone", "head")
    kept.set_one("loudspeaker", "trumpet")
    assert "The microphone is 'Headset'." in call("check").output
    assert "The microphone is 'built-in'." in call("check", "--microphone", "").output
    done = call("run", "--typed", "--voice")
    assert isinstance(done.exception, AudioError) and "There is no loudspeaker 'trumpet'." in done.exception.text


def test_the_settings_of_a_command_are_options_that_it_has() -> None:
    assert set(kept.USED_BY) == set(TAKES_SETTINGS)
    assert {name for taken in kept.USED_BY.values() for name in taken} == set(kept.KEYS)
    for command, taken in kept.USED_BY.items():
        found = cli.get_command(None, command)
        assert set(taken) <= {one.name for one in found.params}, command
