"""Every English line has a Spanish one, as easy and as far apart; what does not fit is told with its line."""

from __future__ import annotations

import re
from functools import lru_cache

import pytest

from assistant.authoring.lines import lines_of
from assistant.authoring.places import places
from assistant.authoring.reading import everyday, measure
from flows.errors import FlowError
from flows.faults.sayings import load_sayings, sayings
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import Plan, load_plan
from flows.procedure.schema import PROCEDURES, load_procedure
from flows.procedure.texts import translate
from flows.procedure.wording import spoken_lines
from grammar.errors import DataFileError
from grammar.language import language
from grammar.phonetics import check_apart, phones

SHIPPED = sorted(path.stem for path in PROCEDURES.glob("*.yaml") if "." not in path.stem)
EASE = 70.0
TEXTS = {"title", "about", "language", "say", "full", "short", "leads", "why", "phrases", "words", "told"}


@lru_cache
def plan(name: str) -> Plan:
    return load_plan(name, equipment("larkspur"), meter("dunlin"), "es")


def without_texts(data):
    """The plain data of a procedure with everything that is spoken or heard taken out."""
    if isinstance(data, dict):
        return {key: without_texts(value) for key, value in data.items() if key not in TEXTS}
    return [without_texts(one) for one in data] if isinstance(data, list) else data


@pytest.mark.parametrize("name", SHIPPED)
def test_what_is_safe_and_where_a_step_leads_is_the_same_in_both_languages(name):
    english, spanish = load_procedure(name), load_procedure(name, "es")
    assert spanish.language == "es"
    assert without_texts(spanish.model_dump()) == without_texts(english.model_dump())


@pytest.mark.parametrize("name", SHIPPED)
def test_no_english_line_is_left(name):
    english = load_plan(name, equipment("larkspur"), meter("dunlin"))
    theirs, ours = ({line.where: line.text for line in lines_of(one)} for one in (english, plan(name)))
    assert theirs.keys() == ours.keys()
    assert [where for where, text in ours.items() if text == theirs[where]] == []


def test_the_dialogue_and_the_language_say_all_that_english_says():
    assert spoken_lines("es").lines.keys() == spoken_lines("en").lines.keys()
    assert spoken_lines("es").options.keys() == spoken_lines("en").options.keys()
    assert language("es").commands.keys() == language("en").commands.keys()
    assert language("es").options.keys() == language("en").options.keys()
    fields = {name: set(re.findall("{[a-z]+}", text)) for name, text in spoken_lines("en").lines.items()}
    assert {name: set(re.findall("{[a-z]+}", text)) for name, text in spoken_lines("es").lines.items()} == fields


def syllables(word: str) -> int:
    """By our own rules for letters, which eSpeak NG confirms: as many as it has full vowels."""
    return max(1, sum(phone in ("AA", "EH", "IY", "AO", "UW") for phone in phones(word, "es")[0]))


def ease(text: str) -> float:
    """Fernández Huerta with syllables counted so. textstat breaks no syllable off that is one letter, and so finds
    fewer."""
    words = re.findall(r"[^\W\d_]+", text.lower())
    sentences = [one for one in re.split(r"[.?!]+", text) if re.search(r"\w", one)]
    return 206.84 - 60 * sum(map(syllables, words)) / len(words) - 1.02 * len(words) / len(sentences)


def all_sentences() -> dict[str, str]:
    found = {f"{name}: {line.text}": line.text for name in SHIPPED for line in lines_of(plan(name))}
    fill = lambda text: re.sub("{[a-z_]+}", "noventa y dos voltios", text)  # noqa: E731
    found |= {f"dialogue {name}": fill(text) for name, text in spoken_lines("es").lines.items()}
    book = sayings("es")
    found |= {f"reasoner {name}": fill(text) for name, text in book.lines.items() if text.endswith(".")}
    found |= {f"fault {id}": book.line("named", fault=one.name, speaks="").strip() for id, one in book.faults.items()}
    found |= {f"look {id}": one.look for id, one in book.faults.items() if one.look}
    found |= {f"advice {id}": one.next for id, one in book.faults.items()}
    found |= {f"probe {id}": book.line("why_best", probe=name) for id, name in book.probes.items()}
    return found


def test_every_spanish_line_is_fairly_easy():
    """70 or more: Fernández Huerta 1959, by textstat."""
    score = measure("es")
    assert {where: score(text) for where, text in all_sentences().items() if score(text) < EASE} == {}


def test_every_spanish_line_is_fairly_easy_by_a_stricter_count_of_syllables():
    plain = {where: everyday(text, "es") for where, text in all_sentences().items()}
    assert {where: ease(text) for where, text in plain.items() if ease(text) < EASE} == {}
    assert ease("Subsecuentemente determinaremos las características electromagnéticas.") < 0


def test_terms_of_the_trade_do_not_count_and_other_long_words_do():
    assert everyday("Desconecta el interruptor. Interruptores.", "es") == "Desconecta el cosa. Interruptores."
    assert everyday("Push the igniter on, and read the A C volts.", "en") == "Push the part on, and read the A C volts."
    score = measure("es")
    assert score("Mira el transformador.") == score("Mira el cosa.") > score("Mira el desentornillador.")


WRONG = {
    "llave": "a gas fitter hears the valve", "llaves": "the same", "luz": "it is no power", "luces": "the same",
    "vivo": "it is no voltage", "viva": "the same", "vivos": "the same", "vivas": "the same",
}  # fmt: skip


def test_no_short_word_stands_for_the_right_one():
    """The switch is an interruptor, power corriente, live con tensión; a válvula is one of gas."""
    heard = [phrase for one in spoken_lines("es").options.values() for phrase in one]
    for name in SHIPPED:
        for step in plan(name).procedure.steps.values():
            heard.append(step.title)
            for answer in step.answers.values():
                heard += [*answer.phrases, *(answer.again.phrases if answer.again else ())]
    assert len(heard) > 100 and len(all_sentences()) > 100
    for text in [*all_sentences().values(), *heard]:
        words = re.findall(r"[^\W\d_]+", text.lower())
        assert not WRONG.keys() & set(words), text
        assert all(
            words[place + 1 : place + 3] == ["de", "gas"] for place, word in enumerate(words) if word == "válvula"
        ), text


@pytest.mark.parametrize("name", SHIPPED)
def test_no_two_spanish_answers_open_together_sound_alike(name):
    assert [(step, pair.text) for step, scope in places(plan(name)) for pair in check_apart(scope)] == []


def test_the_measure_of_sound_finds_a_pair_that_is_alike():
    from grammar.scope import Option, Scope

    scope = Scope("pair", None, (Option("on", ("hay corriente",)), Option("off", ("no hay corriente",))), language="es")
    assert any({pair.first_id, pair.second_id} == {"on", "off"} for pair in check_apart(scope))


@pytest.mark.parametrize("name", SHIPPED)
def test_the_second_asking_uses_other_words_in_spanish(name):
    answers = [
        answer for step in plan(name).procedure.steps.values() for answer in step.answers.values() if answer.again
    ]
    assert answers
    for answer in answers:
        first, second = ({word for phrase in one.phrases for word in phrase.split()} for one in (answer, answer.again))
        assert not (first & second) - {"el", "la", "los", "está", "se", "no", "ya", "en"}, first & second


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            '    why: "El gas arde con la primera chispa. Hay que oler antes de tocar un interruptor."\n',
            "",
            "there is no text for 'welcome.why'. Translate: 'Gas can burn",
        ),
        ('      - "Luego di: desconecté el interruptor."\n', "", "there is no text for 'power_off.say.1'"),
        (
            '        edge: "La entrada sirve, pero va justa. Anótalo."\n',
            "",
            "there is no text for 'supply.judge.say.edge'",
        ),
        (
            "      clear:\n",
            "      claro:\n",
            "'flame_sensing' has no text 'welcome.answers.claro.phrases'. Take it out or mend its name.",
        ),
        (
            "Son {low} o más. Busca por qué",
            "Busca por qué",
            "'supply.judge.say.low' does not name the same numbers as the procedure's own line. It names: {low}.",
        ),
        (
            "version: 3\n",
            "version: 7\n",
            "these texts are of version 7; 'flame_sensing' is at version 3. Look them through",
        ),
        ("of: flame_sensing\n", "of: other\n", "these are texts of 'other', not of 'flame_sensing'"),
        ("    title: Antes de empezar\n", "    title: Antes de empezar\n    power: any\n", "is not a key known here"),
    ],
)
def test_a_text_that_is_missing_or_too_much_is_told_with_its_line(old, new, told, tmp_path):
    text = (PROCEDURES / "flame_sensing.es.yaml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "flame_sensing.es.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    procedure, problems = translate(load_procedure("flame_sensing"), path)
    assert procedure is None
    hits = [one.text for one in problems if told in one.text]
    assert hits and hits[0].startswith("flame_sensing.es.yaml, line ")


def test_a_language_that_nobody_wrote_is_told():
    with pytest.raises(FlowError, match=r"no texts in the language 'tlh'. Write them in flame_sensing.tlh.yaml"):
        load_procedure("flame_sensing", "tlh")
    with pytest.raises(FlowError, match="no words in the language 'tlh'"):
        sayings("tlh")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("  soon: ", "  sooon: ", "'soon' is missing under 'lines'"),
        ("  rod_open: {name: ", "  rod_opened: {name: ", "'rod_open' is missing under 'faults'"),
        (
            (
                '  rod_open: {name: "una varilla rota por dentro",\n    next: "Prueba antes que no haya tensión. Cierra'
                ' el gas y pon otra varilla."}'
            ),
            '  rod_open: {name: "una varilla rota por dentro"}',
            "lacks 'next', which it has in English. Add next: what to do about it.",
        ),
        (
            '  rod_open: {name: "una varilla rota por dentro",\n',
            '  rod_open: {name: "una varilla rota por dentro", look: "Mira.",\n',
            "has 'look', which it has not in English. Take it out.",
        ),
        ('  likely: "Parece {fault}. {speaks}"', '  likely: "Parece {fault}."', "does not fill in the same words"),
        ('{name: "una llama pobre", look: ', '{name: "una llama pobre", looks: ', "not a key known here"),
    ],
)
def test_reasoning_words_that_do_not_fit_are_told(old, new, told, tmp_path):
    from flows.faults.catalog import HERE

    text = (HERE / "words.es.yaml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "words.es.yaml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(DataFileError) as caught:
        load_sayings(tmp_path / "words.es.yaml")
    assert told in caught.value.text
