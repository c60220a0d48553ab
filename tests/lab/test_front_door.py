"""The laboratory's front door names every stage there is, and runs it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.lab.__main__ import PARTS, STAGES, listing, run

LAB = Path(__file__).parent
ROOT = LAB.parents[1]
INSIDE = {"kill_scenarios", "reasoning_before"}
"""Run by another bench in a process of its own."""


def test_every_stage_has_a_line_under_its_number():
    lines = listing().splitlines()
    for number, part in PARTS.items():
        assert f"{number} {part}" in lines
    for one in STAGES:
        assert [line for line in lines if line.split()[:1] == [one.name] and line.endswith(one.does)], one.name
    assert len({one.name for one in STAGES}) == len(STAGES)
    assert [one.number for one in STAGES] == sorted(one.number for one in STAGES)


def test_whatever_can_be_run_alone_is_a_stage():
    runnable = {
        f"tests.lab.{file.parent.name}.{file.stem}"
        for part in ("train", "measure", "voice")
        for file in (LAB / part).glob("*.py")
        if 'if __name__ == "__main__":' in file.read_text(encoding="utf-8") and file.stem not in INSIDE
    }
    assert runnable | {"tests.lab.made_with"} == {one.module for one in STAGES}


@pytest.mark.parametrize("stage", STAGES, ids=lambda one: one.name)
def test_every_stage_has_a_main(stage):
    source = (ROOT / f"{stage.module.replace('.', '/')}.py").read_text(encoding="utf-8")
    assert re.search(r"^def main\(", source, re.MULTILINE)


@pytest.mark.parametrize("name", ["vocabulary", "fixtures", "verdicts", "fit", "circuit"])
def test_a_stage_gets_the_options_behind_it(name):
    done = subprocess.run([sys.executable, "-m", "tests.lab", name, "--help"], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_a_stage_runs_with_its_options():
    done = subprocess.run([sys.executable, "-m", "tests.lab", "made_with"], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0 and "thresholds of twohands-en: written" in done.stdout
    wrong = subprocess.run(
        [sys.executable, "-m", "tests.lab", "fixtures", "--engine", "x"], capture_output=True, text=True, cwd=ROOT
    )
    assert wrong.returncode == 2 and "python -m tests.lab fixtures" in wrong.stderr


def test_an_unknown_stage_is_told_in_one_line(capsys):
    assert run(["nothing"]) == 2
    told = capsys.readouterr().err
    assert (
        told.startswith("There is no stage 'nothing'. Choose one of: recordings, synthesise,") and told.count("\n") == 1
    )


def test_the_recipe_names_no_stage_that_is_not_there():
    text = (LAB / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"python -m tests\.lab (\w+)", text)) - {"STAGE"}
    assert {"recordings", "synthesise", "train", "export", "vocabulary", "fit", "adapt", "hearing"} <= named
    assert named <= {one.name for one in STAGES}


def test_the_readme_and_the_guide_name_no_module_that_is_not_there():
    for file in (ROOT / "README.md", ROOT / "DEVELOPERS.md", LAB / "README.md"):
        for module in re.findall(r"-m (tests\.lab(?:\.\w+)+)", file.read_text(encoding="utf-8")):
            assert (ROOT / f"{module.replace('.', '/')}.py").is_file(), (file.name, module)
