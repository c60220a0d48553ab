"""The spoken words against the declaration: every shipped text is held to it, and every text made wrong is found."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from flows.errors import FlowError
from flows.faults.sayings import sayings
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.schema import PROCEDURES, Procedure, load_procedure
from flows.procedure.spoken.check import spoken_problems, wrong_words
from flows.procedure.spoken.glossary import HERE, glossary, load_glossary, stand_words
from flows.procedure.spoken.words import find, masked, prompted, sentences, without_prompts
from flows.procedure.things import Kind, catalogue
from flows.procedure.wording import spoken_lines
from grammar.errors import DataFileError
from grammar.known import lacking
from grammar.language import language

SHIPPED = sorted(path.stem for path in PROCEDURES.glob("*.yaml") if "." not in path.stem)
SMALL = str(Path(__file__).with_name("small_procedure.yaml"))
LANGUAGES = ("en", "es")
BOTH = [(name, key) for name in SHIPPED for key in LANGUAGES]


def procedure(name: str, key: str) -> Procedure:
    return load_procedure(name, key)


@pytest.mark.parametrize(("name", "key"), [*BOTH, (SMALL, "en"), (SMALL, "es")])
def test_what_ships_says_what_it_declares(name, key):
    assert spoken_problems(procedure(name, key), lacking) == []


def changed(whole: Procedure, name: str, **update: object) -> Procedure:
    steps = {**whole.steps, name: whole.steps[name].model_copy(update=update)}
    return whole.model_copy(update={"steps": steps})


def others(quantity: str, key: str) -> str:
    """The unit of another quantity, as it is spoken."""
    return language(key).units["volt" if quantity == "ohms" else "ohm"].many


def wrong_readings(whole: Procedure) -> list[tuple[str, Procedure]]:
    """Every reading step with the unit of another quantity in place of its own."""
    found = []
    for name, step in whole.steps.items():
        if step.ask:
            unit = language(whole.language).units[step.ask.unit].many
            say = [text.replace(unit, others(step.ask.quantity, whole.language)) for text in step.say]
            assert say != step.say, name
            found.append((name, changed(whole, name, say=say)))
    return found


def wrong_moves(whole: Procedure) -> list[tuple[str, Procedure]]:
    """Every step that moves something or turns the power, with nothing in its sentences but what to say."""
    book, found = glossary(whole.language), []
    for name, step in whole.steps.items():
        if any(answer.sets.things or answer.sets.power for answer in step.answers.values()):
            say = [f"{book.prompts[0]}: {said}." for text in step.say for said in prompted(text, book)]
            answers = {}
            for key, answer in step.answers.items():
                again = answer.again
                if again:
                    again = again.model_copy(update={"say": f"{book.prompts[0]}: {again.phrases[0]}."})
                answers[key] = answer.model_copy(update={"again": again})
            found.append((name, changed(whole, name, say=say, answers=answers)))
    return found


def wrong_prompts(whole: Procedure) -> list[tuple[str, Procedure]]:
    """Every answer whose sentence tells another phrase than those that are taken."""
    book, found = glossary(whole.language), []
    for name, step in whole.steps.items():
        for said in (said for text in step.say for said in prompted(text, book)):
            if step.answers and any(said.lower() in answer.phrases for answer in step.answers.values()):
                say = [text.replace(said, f"{said} zyx") for text in step.say]
                found.append((f"{name}: {said}", changed(whole, name, say=say)))
    return found


@pytest.mark.parametrize(("name", "key"), [*BOTH, (SMALL, "en"), (SMALL, "es")])
def test_every_text_that_is_made_wrong_is_found(name, key, capsys):
    whole = procedure(name, key)
    made = {kind.__name__: kind(whole) for kind in (wrong_readings, wrong_moves, wrong_prompts)}
    missed = [(kind, which) for kind, some in made.items() for which, wrong in some if not spoken_problems(wrong)]
    with capsys.disabled():
        print(
            f"\n  {Path(name).stem} {key}: " + ", ".join(f"{len(some)} {kind}" for kind, some in made.items()), end=""
        )
    assert missed == []
    assert all(made.values())


@pytest.mark.parametrize(("name", "key"), BOTH)
def test_the_tips_are_off_all_parts_before_the_dial_or_the_jack_moves(name, key):
    """After the proof of dead power the leads sit on a live part: a dial turned to ohms there burns the meter."""
    whole, off = procedure(name, key), glossary(key).tips_off
    moving = [
        one
        for one, step in whole.steps.items()
        if any({"dial", "red_jack"} & answer.sets.things.keys() for answer in step.answers.values())
    ]
    assert len(moving) >= 2
    for one in moving:
        told = whole.steps[one].say
        kept = [
            ". ".join(part for part in text.split(". ") if not any(way in part.lower() for way in off)) for text in told
        ]
        assert kept != told, one
        assert any("tips touch nothing" in what for _, what, _ in spoken_problems(changed(whole, one, say=kept))), one


@pytest.mark.parametrize(("name", "key"), BOTH)
def test_the_last_proof_takes_the_leads_off_the_live_part(name, key):
    whole = procedure(name, key)
    off = {"en": "Take the leads off the live part.", "es": "Quita las puntas de la parte con tensión."}[key]
    last = next(step for step in whole.steps.values() if step.proves == whole.dead_proof[-1])
    for finding in ("pass", "edge"):
        assert last.judge.say[finding].endswith(off)


def test_wrong_words_are_refused_when_a_procedure_is_loaded(tmp_path):
    text = Path(SMALL).read_text(encoding="utf-8")
    path = tmp_path / "bad.yaml"
    path.write_text(text.replace("Tell me the ohms.", "Tell me the volts."), encoding="utf-8")
    with pytest.raises(DataFileError, match=r"bad.yaml, line \d+: .*'ohm', and no sentence names it"):
        load_plan(str(path), equipment("larkspur"), meter("dunlin"))


def test_wrong_words_of_a_translation_are_refused_with_the_line_of_its_own_file(tmp_path):
    path = tmp_path / "bad.yaml"
    path.write_text(Path(SMALL).read_text(encoding="utf-8"), encoding="utf-8")
    texts = (
        Path(SMALL)
        .with_suffix(".es.yaml")
        .read_text(encoding="utf-8")
        .replace("Peligro. Aún hay tensión.", "Peligro. Aún hay luz.")
    )
    path.with_suffix(".es.yaml").write_text(texts, encoding="utf-8")
    load_plan(str(path), equipment("larkspur"), meter("dunlin"))
    with pytest.raises(DataFileError, match=r"bad.es.yaml, line \d+: 'luz' must not be spoken"):
        load_plan(str(path), equipment("larkspur"), meter("dunlin"), "es")


def own_sentences(key: str) -> dict[str, str]:
    """What the dialogue and the fault reasoning say of themselves."""
    book = sayings(key)
    found = {f"line {name}": text for name, text in spoken_lines(key).lines.items()}
    found |= {f"option {name}: {text}": text for name, texts in spoken_lines(key).options.items() for text in texts}
    found |= {f"saying {name}": text for name, text in book.lines.items()}
    found |= {f"fault {name}": f"{one.name}. {one.look or ''} {one.next}" for name, one in book.faults.items()}
    return found | {f"probe {name}": text for name, text in book.probes.items()}


@pytest.mark.parametrize("key", LANGUAGES)
def test_the_dialogue_and_the_reasoning_keep_to_the_words_of_the_trade(key):
    wrong = {
        where: told for where, text in own_sentences(key).items() if (told := list(wrong_words(text, glossary(key))))
    }
    assert wrong == {}


# The glossary.


@pytest.mark.parametrize("key", LANGUAGES)
def test_what_is_not_as_found_is_told_and_nothing_else(key):
    kinds = catalogue().things
    for thing, kind in kinds.items():
        for place in kind.positions:
            told = stand_words([(thing, place)], kinds, key)
            assert len(told) == (place not in kind.as_found)
            assert all("_" not in one and one == one.strip() and not one.endswith(".") for one in told)


def test_how_it_stands_in_both_languages():
    things = [("jumper", "r_to_w"), ("leads", "in_hand"), ("covers", "removed")]
    assert stand_words(things, catalogue().things, "en") == ["the jumper is on R and W", "the covers are off"]
    assert stand_words(things, catalogue().things, "es") == ["el puente está en R y W", "las tapas están quitadas"]


def test_a_thing_of_a_procedures_own_is_told_in_its_words():
    fuse = Kind(positions=["fitted", "out"], as_found=["fitted"], moved_at="dead", told={"out": "the fuse is out"})
    assert stand_words([("fuse", "out")], {"fuse": fuse}, "en") == ["the fuse is out"]


def test_a_language_without_a_glossary_is_told():
    with pytest.raises(FlowError, match=r"no glossary of the language 'tlh'\. Write glossary\.tlh\.yaml"):
        glossary("tlh")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            "    words: [jumper, jumper wire]",
            "    words: [jumper, covers]",
            "'covers' stands for both 'jumper' and 'covers'",
        ),
        ("  knob: dial", "  dial: knob", "'dial' stands for 'dial' and is forbidden"),
        ("  knob: dial", "  knob: selector", "'selector' is given in place of 'knob' and is forbidden itself"),
        (
            "  jumper:\n",
            "  jumpr:\n",
            "'things' must name those of things.yaml and 'power', and no others: jumper, jumpr",
        ),
        (
            "      clipped: {words",
            "      cliped: {words",
            "'leads' must have the positions in_hand, clipped: look at cliped, clipped",
        ),
        (', told: "the covers are off"', "", "nothing tells that 'covers' stands at 'removed'"),
        (
            '      out: {words: [out, died], told: "the burner is out"}',
            "      out: {words: [lit]}",
            "'lit' says both 'out' and 'lit'",
        ),
        (
            "words: [furnace switch, switch,",
            "words: [Furnace switch, switch,",
            "write lower-case words with single spaces",
        ),
    ],
)
def test_a_glossary_that_is_wrong_is_refused(old, new, told, tmp_path):
    text = (HERE / "glossary.en.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "glossary.en.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DataFileError) as caught:
        load_glossary(path)
    assert told in caught.value.text


def test_both_glossaries_have_the_same_things_places_and_colours():
    english, spanish = glossary("en"), glossary("es")
    assert english.things.keys() == spanish.things.keys()
    assert english.places.keys() == spanish.places.keys()
    assert english.colours.keys() == spanish.colours.keys()


def test_the_examples_of_wrong_spanish_are_refused():
    """Sentences that a gas fitter would take for the valve, and words that only seem to say live or power."""
    book = glossary("es")
    for text in ("Corta la llave.", "Pon la llave del horno.", "No hay luz.", "Una parte viva.", "Cierra la válvula."):
        assert list(wrong_words(text, book)), text
    assert list(wrong_words("Cierra la válvula de gas. El interruptor tiene tensión.", book)) == []


# The words of a sentence.

WORDS = st.lists(st.sampled_from(["red", "lead", "rod", "wire", "a", "c", "volts", "jack"]), max_size=12).map(tuple)
NAMES = ["red lead", "lead", "rod wire", "rod", "a c volts", "volts jack", "c"]


@given(WORDS)
def test_names_that_are_found_do_not_overlap_and_a_longer_one_hides_those_in_it(words):
    hits = find(words, NAMES)
    assert all(first.end <= second.start for first, second in itertools.pairwise(hits))
    assert all(" ".join(words[one.start : one.end]) == one.name for one in hits)
    assert find(masked(words, NAMES), NAMES) == []


@given(st.text(max_size=60))
def test_any_text_is_cut_into_words(text):
    assert all(word and word == word.strip("'") for words in sentences(text) for word in words)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Then say: furnace is running.", ["furnace is running"]),
        (
            "If it burns on, say: flame stays lit. If it goes out, say: it dropped out.",
            ["flame stays lit", "it dropped out"],
        ),
        ("Wait until I say so. Tell me the volts.", []),
        ("Like this: nine two point six.", ["nine two point six"]),
    ],
)
def test_what_a_text_tells_to_say(text, said):
    book = glossary("en")
    assert prompted(text, book) == said
    assert prompted(without_prompts(text, book), book) == []


def test_the_files_are_plain_data():
    assert {"en", "es"} <= set(LANGUAGES)
    for key in LANGUAGES:
        assert yaml.safe_load((HERE / f"glossary.{key}.yaml").read_text(encoding="utf-8"))["language"] == key
