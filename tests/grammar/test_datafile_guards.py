"""YAML that somebody wrote to hurt, or by mistake: one line that says where, never a traceback, never a wait."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.procedure.schema import Procedure
from grammar import guards
from grammar.datafile import load_yaml, parse_yaml, problems_in, read_yaml
from grammar.errors import DataFileError
from grammar.fields import fields_in

BOMB = "a0: &a0 [x, x]\n" + "".join(
    f"a{number}: &a{number} [*a{number - 1}, *a{number - 1}, *a{number - 1}]\n" for number in range(1, 40)
)
HURTFUL = {
    "an alias bomb": (BOMB, "holds more than"),
    "a bomb of merge keys": (
        "a0: &a0 {x: 1}\n" + "".join(f"a{n}: &a{n} {{<<: [*a{n - 1}, *a{n - 1}]}}\n" for n in range(1, 40)),
        "holds more than",
    ),
    "an alias of itself": ("a: &x [*x]", "stands inside what it stands for"),
    "nested lists": ("[" * 5000, "nested more than"),
    "nested mappings": ("{a: " * 5000, "nested more than"),
    "nested dashes": ("- " * 5000, "nested more than"),
    "a list as a key": ("? [a]\n: b", "a key is no single word"),
    "a date that is none": ("a: 2001-99-99", "cannot be read as timestamp"),
    "a tag that does not fit": ("a: !!int x", "cannot be read as int"),
    "a bool that is none": ("a: !!bool x", "cannot be read as bool"),
    "a class": ("a: !!python/object/apply:os.system [x]", "could not determine a constructor"),
    "not a number": ("a: .nan", "is no finite number"),
    "infinity": ("a: -.inf", "is no finite number"),
    "a huge whole number": ("a: 0x" + "f" * 3000, "too large"),
    "half a character": ('a: "\\ud800"', "half a character"),
    "a long word": ("a: " + "x" * (guards.YAML_WORD + 1), "characters"),
    "a zero byte": ("a: \x00", "unacceptable character"),
    "a version to come": ("%YAML 9.9.9\n---\na", "is not well-formed YAML"),
    "a code past Unicode": ('a: "\\U00110000"', "is not well-formed YAML"),
    "a key twice": ("a: 1\na: 2", "stands twice (first in line 1)"),
}


@pytest.mark.parametrize(("text", "words"), HURTFUL.values(), ids=HURTFUL)
def test_what_hurts_is_refused_in_one_line_and_at_once(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "data.yaml"
    path.write_text(text, encoding="utf-8")
    begun = time.thread_time()
    with pytest.raises(DataFileError) as caught:
        read_yaml(path)
    assert words in caught.value.text and "data.yaml" in caught.value.text and "\n" not in caught.value.text
    assert (
        time.thread_time() - begun < 5
    )  # a limit of the reader, not a measure of this machine: without it these never end


def test_a_large_file_and_one_that_is_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "data.yaml"
    path.write_bytes(b"#" * (guards.YAML_BYTES + 1))
    with pytest.raises(DataFileError, match="is larger than"):
        read_yaml(path)
    path.write_bytes(b"a: 1\nb: \xff\n")
    with pytest.raises(DataFileError, match="line 2: is not UTF-8"):
        read_yaml(path)
    with pytest.raises(DataFileError, match="cannot be read"):
        read_yaml(tmp_path)


def test_an_honest_alias_is_still_taken(tmp_path: Path) -> None:
    text = "one: &same {a: [1, 2]}\ntwo: *same\nthree: {<<: *same, b: 3}\n"
    assert parse_yaml(text, tmp_path / "x.yaml")[0] == yaml.safe_load(text)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="ab: -[]{}&*!<>|?'\"\n\t#%1.0x~", max_size=60))
def test_any_text_is_read_as_the_library_reads_it_or_refused(text: str) -> None:
    """What is taken means what PyYAML, without our guards, says that it means."""
    try:
        found, _ = parse_yaml(text, Path("x.yaml"))
    except DataFileError:
        return
    assert found == yaml.safe_load(text)


@pytest.mark.parametrize(
    "line",
    [
        "{value:>400000000} volts",
        "{value.__class__} volts",
        "{value!r} volts",
        "{} volts",
        "{0} volts",
        "{value[0]} volts",
        "{va lue} volts",
        "{value",
        "}",
    ],
)
def test_a_line_fills_in_names_and_nothing_else(line: str) -> None:
    with pytest.raises(ValueError):
        fields_in(line)
    assert fields_in("{value} of {high}, and {{braces}}") == {"value", "high"}


def test_a_format_in_a_procedures_line_is_an_error_with_its_line(tmp_path: Path) -> None:
    from flows.procedure.schema import PROCEDURES

    text = (PROCEDURES / "igniter_check.yaml").read_text(encoding="utf-8")
    path = tmp_path / "p.yaml"
    name = re.search(r"\{([a-z_]+)\}", text)
    path.write_text(text[: name.end() - 1] + ":>400000000" + text[name.end() - 1 :], encoding="utf-8")
    _, problems = problems_in(path, Procedure)
    assert [one.line for one in problems] == [text[: name.start()].count("\n") + 1]
    assert "more than a name between braces" in problems[0].text
    assert load_yaml(PROCEDURES / "igniter_check.yaml", Procedure).id == "igniter_check"
