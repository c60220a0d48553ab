"""Every program that a test starts comes with the README's second command, or its test says that it was skipped."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.programs import OURSELVES, constants_of, programs_of

ROOT = Path(__file__).parents[1]
FROM_DEBIAN = {
    "chromedriver": "chromium-driver",
    "chromium": "chromium",
    "dot": "graphviz",
    "espeak-ng": "espeak-ng",
    "flite": "flite",
    "initdb": "postgresql",
    "ngspice": "ngspice",
    "openssl": "openssl",
    "pactl": "pulseaudio-utils",
    "paplay": "pulseaudio-utils",
    "parecord": "pulseaudio-utils",
    "pdftotext": "poppler-utils",
    "pg_ctl": "postgresql",
    "pulseaudio": "pulseaudio",
}
"""Program -> the Debian package that the README's second command installs for it."""
BY_A_LIBRARY = {"dot"}
"""Started by a Python package, so that no file here names it."""
IN_EVERY_DEBIAN = {"mktemp", "rm", "setpriv"}
"""Of coreutils and util-linux, which Debian marks as essential."""
SKIPPED_WITHOUT = {"mount", "text2wave", "umount"}
"""Their tests skip with a reason where they are not installed."""
LABORATORY_ONLY = {"festival", "ffmpeg", "gcc"}
"""Started by what trains and measures in tests/lab alone, which is no test."""
LIBRARIES = {
    "libasound2-plugins",
    "libespeak-ng1",
    "libpango-1.0-0",
    "libpangoft2-1.0-0",
    "libportaudio2",
    "python3-venv",
}
"""Packages of the README's lines that bring no program of the list."""


def started() -> dict[str, set[str]]:
    """Program -> the files that start or look for it."""
    shared = constants_of(ROOT / "audio_fixtures" / "voices.py")
    found: dict[str, set[str]] = {}
    for folder in ("tests", "audio_fixtures"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            file = str(path.relative_to(ROOT))
            read = programs_of(path.read_text(encoding="utf-8"), shared)
            assert not read.unread, f"{file}, line {read.unread[0]}: write the program's name where it is started"
            for program in read.programs - {OURSELVES}:
                found.setdefault(program, set()).add(file)
    return found


def packages(mark: str) -> set[str]:
    """What the README's command under `mark` installs from Debian."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [line] = re.findall(rf"<!-- {mark} -->\n```sh\n(.+)\n```", text)
    [names] = re.findall(r"apt-get install -y -qq ([^&]+) &&", line)
    return set(names.split())


def test_every_program_that_is_started_is_accounted_for():
    known = {*FROM_DEBIAN, *IN_EVERY_DEBIAN, *SKIPPED_WITHOUT, *LABORATORY_ONLY}
    unknown = {program: files for program, files in started().items() if program not in known}
    assert not unknown


def test_no_program_is_listed_that_nothing_starts():
    listed = {*FROM_DEBIAN, *IN_EVERY_DEBIAN, *SKIPPED_WITHOUT, *LABORATORY_ONLY} - BY_A_LIBRARY
    assert listed - set(started()) == set()


def test_what_only_the_laboratory_starts_is_started_by_no_test():
    for program in LABORATORY_ONLY:
        for file in started()[program]:
            assert file.startswith("tests/lab/") and not Path(file).name.startswith("test_")


def test_the_second_command_installs_what_the_tests_need_and_no_more():
    assert packages("tests") == {*FROM_DEBIAN.values(), *LIBRARIES}


def test_the_first_command_installs_part_of_it():
    assert packages("demo") < packages("tests")


@pytest.mark.parametrize(
    ("source", "programs"),
    [
        ('subprocess.run(["sox", "a"])', {"sox"}),
        ('command = ["/usr/bin/sox", name]\nsubprocess.Popen(command)', {"sox"}),
        ("subprocess.run([sys.executable, '-m', 'x'])", {OURSELVES}),
        ('def go(*words):\n    subprocess.run(words)\ngo("sox", "a")\ngo("lame")', {"sox", "lame"}),
        ('def go(command, text):\n    subprocess.run(command)\ngo(["sox"], "a")', {"sox"}),
        ('front, back = ["sudo"], 1\nsubprocess.run([*front, str(folder / "sox")])', {"sudo", "sox"}),
        ('KINDS = {"a": ("sox", "pkg"), "b": ("lame", "pkg")}\nshutil.which(KINDS[one][0])', {"sox", "lame"}),
    ],
)
def test_programs_are_read_off_a_source(source, programs):
    found = programs_of(source)
    assert (found.programs, found.unread) == (programs, [])


@pytest.mark.parametrize(
    "source", ["subprocess.run(made_up())", "x = 1\nsubprocess.run([names[0].strip()])", "subprocess.run(f'{tool} a')"]
)
def test_what_can_not_be_read_off_is_told(source):
    assert programs_of(source).unread == [source.count("\n") + 1]
