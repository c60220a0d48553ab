"""What `twohands procedure check` says of the wrong files of `wrong_files.yaml`: file, line, problem and remedy.

No case needs the walk. Bounds of limits and the decision rule have tests of their own in tests/flows.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from assistant.authoring.report import check_all
from assistant.authoring.starting import start
from flows.procedure.schema import PROCEDURES
from grammar.datafile import read_yaml

CASES = read_yaml(Path(__file__).with_name("wrong_files.yaml"))[0]
SMALL = Path(__file__).parents[1] / "flows" / "small_procedure.yaml"
OWN = {"template": "wrong_file.yaml", "flame": "flame_sensing.yaml", "spanish": "small_procedure.es.yaml"}
"""The file that is made wrong, by what it is made from."""


def laid_out(file: str, folder: Path) -> Path:
    """The right file with what must stand beside it. Returns the procedure's own file."""
    if file == "template":
        return start("wrong_file", folder)
    shipped = PROCEDURES / "flame_sensing.yaml" if file == "flame" else SMALL
    procedure = folder / shipped.name
    shutil.copy(shipped, procedure)
    if file == "spanish":
        shutil.copy(SMALL.with_suffix(".es.yaml"), procedure.with_suffix(".es.yaml"))
    return procedure


def told(procedure: Path) -> list[str]:
    """What the quick check tells, without the real voice."""
    return [one.text for one in check_all(procedure, ("larkspur",), "dunlin", True, False, lambda line: None)]


@pytest.mark.parametrize("name", CASES)
def test_a_wrong_file_is_told_with_its_line_and_remedy(name, tmp_path):
    case = CASES[name]
    procedure = laid_out(case["file"], tmp_path)
    wrong = tmp_path / OWN[case["file"]]
    text = wrong.read_text(encoding="utf-8")
    for edit in case["edits"]:
        assert edit["old"] in text, edit["old"]
        text = text.replace(edit["old"], edit["new"], 1)
    wrong.write_text(text, encoding="utf-8")
    problems = told(procedure)
    hits = [one for one in problems if case["problem"] in one and case["remedy"] in one]
    assert hits, problems
    found = re.match(rf"{wrong.name}, line (\d+): .+\. .+\.$", hits[0])
    assert found, hits[0]
    line = text.splitlines()[int(found[1]) - 1]
    assert case["line"] in line, (line, hits[0])
    print(f"{name}: {hits[0]}")


@pytest.mark.parametrize("file", OWN)
def test_the_files_that_are_made_wrong_are_right(file, tmp_path):
    assert told(laid_out(file, tmp_path)) == []


def test_every_case_asks_for_a_problem_and_a_remedy():
    assert len(CASES) >= 30
    assert [name for name, case in CASES.items() if not (case["problem"] and case["remedy"])] == []
