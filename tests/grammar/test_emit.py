"""What the engines are given: held against the parser, the real decoder, and an independent reader of JSGF."""

import random
import re
import time
from itertools import pairwise

import pytest
from pocketsphinx import Decoder

from grammar.answers import Heard, Unclear
from grammar.build import tree_of
from grammar.emit import accepts, jsgf, phrases, pronunciations, sentences, vocabulary
from grammar.errors import GrammarError
from grammar.parse import understand
from grammar.phonetics import dictionary
from grammar.scope import Asked, Scope
from grammar.tree import words_of
from tests.grammar.scopes import ALWAYS, EN, SCOPES, YES_NO


class JsgfSampler:
    """Random sentences straight from JSGF text. Written against the JSGF note (W3C, 2000), not against our code."""

    def __init__(self, text: str) -> None:
        self.rules = {}
        self.public = None
        for public, name, body in re.findall(r"^(public )?<(\w+)> = (.*);$", text, re.MULTILINE):
            tokens = re.findall(r"/[\d.]+/|<\w+>|[()|]|[^\s()|/<>]+", body)
            tree, rest = self._alternatives(tokens)
            assert not rest
            self.rules[name] = tree
            self.public = name if public else self.public

    def _alternatives(self, tokens):
        options, row = [], []
        while tokens:
            token, tokens = tokens[0], tokens[1:]
            if token == "|":
                options.append(row)
                row = []
            elif token == "(":
                inner, tokens = self._alternatives(tokens)
                assert tokens[0] == ")"
                tokens = tokens[1:]
                row.append(inner)
            elif token == ")":
                return [*options, row], [token, *tokens]
            elif not token.startswith("/"):
                row.append(token)
        return [*options, row], tokens

    def draw(self, rng):
        return " ".join(self._draw([[f"<{self.public}>"]], rng))

    def _draw(self, tree, rng):
        words = []
        for part in rng.choice(tree):
            if isinstance(part, list):
                words += self._draw(part, rng)
            elif part == "<NULL>":
                continue
            elif part.startswith("<"):
                words += self._draw(self.rules[part[1:-1]], rng)
            else:
                words.append(part)
        return words


@pytest.fixture(scope="module")
def decoder():
    one = Decoder(samprate=16000, loglevel="FATAL")
    for word, phones in pronunciations().items():
        one.add_word(word, phones, False)
    return one


@pytest.mark.parametrize("name", SCOPES)
def test_sentences_of_the_written_jsgf_are_understood(name):
    scope, rng = SCOPES[name], random.Random(name)
    sampler = JsgfSampler(jsgf(scope))
    for _ in range(200):
        text = sampler.draw(rng)
        assert accepts(scope, text), text
        assert not isinstance(understand(Heard(text, engine="pocketsphinx"), scope), Unclear), text


@pytest.mark.parametrize("name", SCOPES)
def test_pocketsphinx_takes_the_jsgf(name, decoder, capsys):
    scope = SCOPES[name]
    begin = time.perf_counter()
    text = jsgf(scope)
    built = time.perf_counter()
    decoder.add_jsgf_string("scope", text)
    decoder.activate_search("scope")
    loaded = time.perf_counter()
    assert decoder.current_search() == "scope"
    with capsys.disabled():
        print(
            f"\n  {name}: {len(text)} characters, built in {(built - begin) * 1e3:.1f} ms, loaded in"
            f" {(loaded - built) * 1e3:.1f} ms",
            end="",
        )


@pytest.mark.parametrize("name", SCOPES)
def test_the_decoder_holds_the_same_words(name, decoder, tmp_path):
    """The decoder's own compiled form has the words of the scope, none more and none less."""
    scope = SCOPES[name]
    decoder.add_jsgf_string("words", jsgf(scope))
    decoder.get_fsg("words").writefile(str(tmp_path / "out.fsg"))
    arcs = re.findall(r"^TRANSITION \d+ \d+ \S+ (\S+)$", (tmp_path / "out.fsg").read_text(), re.MULTILINE)
    heard = {re.sub(r"\(\d+\)$", "", word) for word in arcs} - {"<sil>", "[NOISE]", "[SPEECH]"}
    assert heard == words_of(tree_of(scope, also=False)) <= vocabulary(scope)


@pytest.mark.parametrize("name", SCOPES)
def test_vosk_phrases_hold_every_pair_of_words(name):
    scope = SCOPES[name]
    said = phrases(scope)
    assert said[-1] == "[unk]"
    assert all(accepts(scope, text) for text in said[:-1])
    pairs = {pair for text in said for pair in pairwise(["<s>", *text.split(), "</s>"])}
    for text in sentences(scope, random.Random(4), 300):
        assert set(pairwise(["<s>", *text.split(), "</s>"])) <= pairs, text


@pytest.mark.parametrize("name", SCOPES)
def test_every_word_can_be_pronounced(name):
    missing = vocabulary(SCOPES[name]) - set(dictionary()) - set(pronunciations())
    assert not missing


def test_own_pronunciations_are_only_for_words_that_need_them():
    phones = {
        phone
        for word in ("zoology", "joy", "thought", "measure", "church", "hug", "young")
        for way in dictionary()[word]
        for phone in way
    }
    everything = set().union(*(phone for ways in dictionary().values() for phone in ways))
    assert phones <= everything
    for word, said in pronunciations().items():
        assert word not in dictionary()
        assert set(said.split()) <= everything


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("volts", "six hundred point oh"),
        ("volts", "five ninety nine point nine"),
        ("volts", "six hundred"),
        ("volts_odd_ends", "one point two five"),
        ("volts_odd_ends", "thirty seven point four"),
        ("volts_odd_ends", "thirty seven point three nine"),
        ("volts_odd_ends", "two and a half"),
        ("volts_digits", "nine two point six"),
        ("low_ohms", "point eight"),
        ("low_ohms", "a half"),
        ("microamps", "minus six hundred"),
        ("microamps", "three point five one microamps"),
        ("millivolts", "minus fifty"),
        ("ohms", "forty megohms"),
        ("hertz", "ninety nine point nine nine"),
        ("volts_readback", "no that is wrong eight three"),
        ("volts", "it is jumping between two and three point five volts"),
    ],
)
def test_offered(name, text):
    assert accepts(SCOPES[name], text)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("volts", "six hundred point one"),
        ("volts", "six hundred one"),
        ("volts", "seven hundred"),
        ("volts", "ninety two point six five"),
        ("volts", "minus two"),
        ("volts", "three ohms"),
        ("volts", "five millivolts"),
        ("volts", "oh"),
        ("volts", "yes"),
        ("volts", "continue"),
        ("volts_odd_ends", "one"),
        ("volts_odd_ends", "one point two"),
        ("volts_odd_ends", "one point two four"),
        ("volts_odd_ends", "thirty seven and a half"),
        ("volts_odd_ends", "thirty seven point four one"),
        ("volts_odd_ends", "over limit"),
        ("volts_digits", "fifteen"),
        ("low_ohms", "one"),
        ("low_ohms", "point nine"),
        ("low_ohms", "between point one and point two"),
        ("microamps", "minus six hundred one"),
        ("millivolts", "minus fifty one"),
        ("ohms", "forty one megohms"),
        ("whole", "three and a half"),
        ("ready", "ninety two"),
    ],
)
def test_not_offered(name, text):
    assert not accepts(SCOPES[name], text)


def test_gas_is_offered_in_every_scope():
    for scope in SCOPES.values():
        assert all(accepts(scope, phrase) for phrase in EN.commands["gas"].spoken)


@pytest.mark.parametrize("name", ["volts", "volts_odd_ends", "low_ohms", "millivolts", "hertz"])
def test_what_is_offered_is_what_the_display_can_show(name):
    """Each value of the display near both ends: said digit by digit it is offered if and only if it is in range."""
    from grammar.numbers import digits_spoken
    from grammar.units import from_si

    scope = SCOPES[name]
    asked = scope.asked
    for end in (asked.low, asked.high):
        centre = round(from_si(end, asked.unit) * 10**asked.decimals)
        for count in range(centre - 120, centre + 121):
            digits = f"{count / 10**asked.decimals:.{asked.decimals}f}"
            shown = (
                round(from_si(asked.low, asked.unit) * 10**asked.decimals)
                <= count
                <= round(from_si(asked.high, asked.unit) * 10**asked.decimals)
            )
            assert accepts(scope, digits_spoken(digits)) == shown, digits


def test_expected_values_do_not_change_what_can_be_said():
    assert jsgf(SCOPES["volts"]) == jsgf(Scope("supply/ask", SCOPES["volts"].asked, (), ALWAYS))


def test_emphasis_changes_weights_only():
    plain, strong = jsgf(SCOPES["volts"]), jsgf(SCOPES["volts"], emphasis=3.0)
    assert plain != strong
    assert re.sub(r"/[\d.]+/ ?", "", plain) == re.sub(r"/[\d.]+/ ?", "", strong)


def test_the_same_seed_gives_the_same_sentences():
    scope = SCOPES["volts"]
    assert sentences(scope, random.Random(7), 50) == sentences(scope, random.Random(7), 50)
    assert sentences(scope, random.Random(7), 50) != sentences(scope, random.Random(8), 50)


def test_the_whole_vocabulary_is_reached_by_random_sentences():
    scope = SCOPES["volts_digits"]
    assert {word for text in sentences(scope, random.Random(3), 20000) for word in text.split()} == words_of(
        tree_of(scope)
    )


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (Asked("ac_volts", "volt", 5, 1), "lesser value first"),
        (Asked("ac_volts", "ohm", 0, 5), "unit of that quantity"),
        (Asked("ac_volts", "furlong", 0, 5), "Choose one of"),
        (Asked("ac_volts", "volt", 0, 1e9), "larger unit"),
        (Asked("ac_volts", "volt", -5, -1), "Widen the range"),
    ],
)
def test_an_impossible_question_says_why(asked, words):
    with pytest.raises(GrammarError, match=words):
        jsgf(Scope("bad", asked, YES_NO))


def test_an_unknown_command_says_which_there_are():
    with pytest.raises(GrammarError, match="repeat"):
        jsgf(Scope("bad", None, (), ("sing",)))
