"""The language file: what must be in it, and what its loader refuses."""

from pathlib import Path

import pytest

from grammar import units
from grammar.datafile import load_yaml
from grammar.errors import DataFileError, GrammarError
from grammar.language import HERE, language, languages, load_language
from grammar.numbers import parse
from grammar.phonetics import dictionary
from grammar.shapes import pattern
from grammar.units import from_si, quantity_of, spoken, symbol, to_si, units_of


@pytest.mark.parametrize("key", languages())
def test_a_language_covers_every_unit_quantity_and_tag(key):
    lang = language(key)
    assert lang.key == key
    assert set(lang.units) == set(units.units())
    assert set(lang.quantities) == set(units.quantities())
    assert {one.tag for one in units.quantities().values() if one.tag} <= set(lang.tags)


@pytest.mark.parametrize("key", languages())
def test_a_language_has_the_commands_that_the_dialogue_needs(key):
    lang = language(key)
    always = {"repeat", "slower", "why", "leads", "back", "change", "readings", "note", "pause", "help", "stop", "gas"}
    always |= {"shorter", "fuller", "progress"}
    assert set(lang.always_open) == always
    assert set(lang.commands) == always | {"end_note", "resume"}
    assert lang.anywhere == ("gas",)
    assert {"yes", "no", "ready"} <= set(lang.options)
    assert lang.corrects == {"no"}


def test_no_command_is_a_number():
    lang = language("en")
    for said in [*lang.commands.values(), *lang.options.values()]:
        for phrase in getattr(said, "spoken", None) or said.phrases:
            assert parse(phrase) is None


def test_words_that_are_pronounced_by_hand_are_used():
    assert "kilohms" in language("en").pronunciations
    assert "ohms" in dictionary()


def broken(tmp_path: Path, old: str, new: str) -> Path:
    text = (HERE / "en.yaml").read_text(encoding="utf-8")
    assert text.count(old) >= 1
    path = tmp_path / "xx.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[go back, go back one step]", "[go back, say again]", "'say again' means both 'repeat' and 'back'"),
        ("[go back, go back one step]", "[Go back]", "lower case"),
        ("[go back, go back one step]", "[]", "at least 1"),
        (
            "two_digit:  [teens, tens, tens ones]",
            "two_digit:  [teens, tens, tons ones]",
            "'tons', which is not written above",
        ),
        ("two_digit:  [teens, tens, tens ones]", "two_digit:  [teens, 'tens & ones']", "'&' in the number shape"),
        ("key: en", "kay: en", "'key'"),
        ("    spelled:    [zero, ones, long_spelled]\n", "", "'spelled' is missing"),
        ("  option: 0.5", "  option: 0", "greater than 0"),
    ],
)
def test_a_bad_language_file_says_what_to_mend(tmp_path, old, new, words):
    with pytest.raises(DataFileError) as caught:
        load_language(broken(tmp_path, old, new))
    assert words in caught.value.text
    assert "xx.yaml" in caught.value.text
    assert caught.value.remedy


def test_an_unknown_language_says_which_there_are():
    with pytest.raises(GrammarError, match="Choose one of: en"):
        language("tlh")


def test_a_number_shape_without_parts_is_refused():
    with pytest.raises(ValueError, match="needs a part"):
        pattern("@0.5")


def test_a_second_number_structure_needs_only_data(tmp_path):
    """Units before tens, as German counts: the shapes are data, not code. Values held against num2words."""
    from num2words import num2words

    from grammar.shapes import Shapes

    classes = {
        "ones": {"ein": 1, "zwei": 2, "drei": 3, "vier": 4, "fünf": 5, "sechs": 6, "sieben": 7, "acht": 8, "neun": 9},
        "tens": {
            "zwanzig": 20,
            "dreißig": 30,
            "vierzig": 40,
            "fünfzig": 50,
            "sechzig": 60,
            "siebzig": 70,
            "achtzig": 80,
            "neunzig": 90,
        },
    }
    shapes = Shapes(classes, {"number": (pattern("ones 'und' tens"), pattern("tens"))})
    for value in (number for number in range(20, 100) if number % 10 or number >= 20):
        joined = num2words(value, lang="de")
        split = joined.replace("und", " und ")
        assert shapes.read("number", split.split()) == {value}
        assert shapes.narrow("number", value, value) is not None


def test_scales_and_conversion():
    """SI prefixes: SI Brochure, 9th edition, table 7."""
    assert to_si("3.5", "microamp") == 3.5e-6
    assert to_si(3.5, "microamp") == 3.5e-6
    assert from_si(3.5e-6, "microamp") == 3.5
    assert from_si(to_si(4.7, "kilohm"), "ohm") == 4700.0
    assert from_si(to_si(0.5, "milliamp"), "microamp") == 500.0


def test_against_pint_prefixes():
    """Every scale against the decimal prefix in its own name."""
    for key, one in units.units().items():
        prefix = next(
            (
                value
                for name, value in {"micro": "0.000001", "milli": "0.001", "kil": "1000", "meg": "1000000"}.items()
                if key.startswith(name)
            ),
            "1",
        )
        assert str(one.scale) == prefix, key


def test_quantities():
    assert quantity_of("volt", asked="dc_volts") == "dc_volts"
    assert quantity_of("volt", "dc", asked="ac_volts") == "dc_volts"
    assert quantity_of("microamp") == "dc_amps"
    assert quantity_of("ohm", "dc") is None
    assert [one.key for one in units_of("dc_amps")] == ["microamp", "milliamp", "amp"]


def test_how_a_unit_is_said_and_written():
    assert (spoken("volt", "1"), spoken("volt", "1.0"), spoken("volt", 2), spoken("microamp", 1)) == (
        "volt",
        "volts",
        "volts",
        "microamp",
    )
    assert (symbol("microamp"), symbol("kilohm"), symbol("ohm")) == ("µA", "kΩ", "Ω")


def test_the_units_file_is_refused_with_its_line(tmp_path):
    path = tmp_path / "units.yaml"
    path.write_text(
        'format: 1\nunits:\n  volt: {kind: voltage, scale: "-1", symbol: V, typed: [v]}\nquantities: {}\n',
        encoding="utf-8",
    )
    with pytest.raises(DataFileError, match=r"line 3.*above 0"):
        load_yaml(path, units._File)
