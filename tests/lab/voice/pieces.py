"""Sentences to be spoken so that others can be put together from their parts.

Each is written with its parts in [brackets]: "[it may be] [a bad plug] or no fault." A part carries the mark that
follows it. Numbers come in three melodies: at the start, in the middle, and at the end with their unit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from assistant.practice.phrases import phrases
from assistant.speaking.words import MARKS, key, words_of
from flows.faults.lessons import lessons
from flows.faults.sayings import sayings
from grammar.language import language
from grammar.numbers import say_digits_after
from tests.lab.voice import texts

USUAL = ("volts", "ohms", "microamps")
RARE = ("kilohms", "megohms", "milliamps", "amps", "hertz", "volt", "ohm", "kilohm", "megohm", "microamp", "milliamp")
DIGITS = tuple(say_digits_after(str(digit)) for digit in range(10))
SAMPLE = {
    "digits": "one two volts",
    "list": "supply voltage",
    "title": "supply voltage",
    "fault": "a bad plug",
    "rival": "no fault",
    "faults": "a bad plug",
    "truth": "a bad plug",
    "probe": "flame current",
    "probes": "flame current",
    "a": "flame current",
    "b": "line to R",
    "phrase": "once more please",
    "phrases": "once more please",
    "function": "volts",
    "taken": "five",
    "fewest": "four",
    "count": "two",
    "unit": "volts",
    "said": "ohms",
    "asked": "volts",
    "unsafe": "ohms on a live part",
    "lesson": "look at the jack",
}
"""What stands in a gap while the words around it are spoken; any other gap holds a number."""
NUMBER = "twelve volts"
WITHOUT = ("wanted", "speaks", "look")
"""Gaps that hold whole sentences."""


@dataclass(frozen=True)
class Wanted:
    """words: what is spoken. spans: the parts of it that are kept, as first word and the one after the last."""

    words: tuple[str, ...]
    spans: tuple[tuple[int, int], ...]

    @property
    def keys(self) -> dict[str, tuple[int, int]]:
        return {key(self.words, *span): span for span in self.spans}


def whole(text: str) -> Wanted:
    """A text kept as a whole, and in what lies between its pauses."""
    words = words_of(text)
    ends = [place for place, one in enumerate(words, 1) if one in MARKS]
    begins = [0, *ends[:-1]]
    spans = dict.fromkeys([(0, len(words)), *zip(begins, ends, strict=True)])
    return Wanted(words, tuple(spans))


def parts(marked: str) -> Wanted:
    """A sentence with parts in [brackets]."""
    words = words_of(marked.replace("[", "").replace("]", ""))
    spans, place = [], 0
    for chunk in re.split(r"(\[[^\]]*\])", marked):
        inside = chunk.startswith("[")
        count = len(re.findall(r"[A-Za-z']+", chunk))
        begin = place
        seen = 0
        while seen < count:
            seen += words[place] not in MARKS
            place += 1
        while place < len(words) and words[place] in MARKS:
            place += 1
        if inside:
            spans.append((begin, place))
    return Wanted(words, tuple(spans))


def wanted() -> Iterator[Wanted]:
    """Everything, what is spoken most often first."""
    sentences = texts.whole()
    usual = [one for one in sentences if often(one.place)]
    yield from (whole(one.text) for one in usual if one.place.startswith("spoken/"))
    yield from read_backs()
    yield from (whole(one.text) for one in usual)
    yield from gaps()
    yield from amounts()
    yield from names()
    rest = [one for one in sentences if one not in usual]
    yield from (whole(one.text) for one in rest if one.place.split("/")[0] in (texts.FIRST, "faults"))
    yield from rare_names()
    yield from (whole(one.text) for one in rest)
    yield from compounds()
    yield from counts()


def often(place: str) -> bool:
    """Whether what stands there is said in most visits, at whatever level."""
    first, *_, role = place.split("/")
    return first == "spoken" or (first == texts.FIRST and role not in ("leads", "why", "danger"))


def to_be_said() -> Iterator[str]:
    """Sentences as the talk fills them in, one for each line with gaps."""
    fault, probe = texts.fault_names()[2], texts.probe_names()[2]
    names = dict.fromkeys(("fault", "rival", "faults", "truth"), fault) | dict.fromkeys(("probe", "probes"), probe)
    filled = SAMPLE | names | {"a": f"{probe} at {NUMBER}", "b": f"{probe} at {NUMBER}"}
    for one in texts.with_gaps():
        if not set(one.gaps) & {*WITHOUT, "function"}:
            yield texts.GAP.sub(lambda gap: filled.get(gap[1], NUMBER), one.text)


def read_backs() -> Iterator[Wanted]:
    """Digit by digit, with the unit at the end."""
    # "Nine" and "eight" begin with a voice and no stop, so what stands before them is cut clean.
    for word in DIGITS:
        yield parts(f"[{word}] nine eight [point {word} volts].")
        yield parts(f"four [{word}] nine [point {word} ohms].")
        yield parts(f"three eight [point {word} microamps].")
    for unit in USUAL:
        yield from (parts(f"two [{word} {unit}].") for word in DIGITS)
    yield from (parts(f"two [point {word}] nine volts.") for word in DIGITS)
    yield from (parts(f"three [{unit}].") for unit in (*USUAL, *RARE))
    yield parts("[minus] three [point] four volts.")
    yield from (whole(f"zero point {word} {unit}.") for unit in ("volts", "ohms") for word in DIGITS[:10])


def amounts() -> Iterator[Wanted]:
    """As a person says a value, within a sentence and at its end."""
    yield from (parts(f"It is nine [{unit}] or more.") for unit in (*USUAL, *RARE))
    yield from (parts(f"Was that two volts or three [{unit}]?") for unit in (*USUAL, *RARE))
    yield from (parts(f"Polarity, three [{unit}]; phasing, four [{unit}], five ohms.") for unit in (*USUAL, *RARE))
    tens = [say_digits_after(str(number)) for number in (*range(10, 20), *range(20, 100, 10))]
    hundreds = [f"{one} hundred" for one in DIGITS[1:]]
    yield from (parts(f"It is [{word}] volts or more.") for word in (*tens, *hundreds))
    yield from (parts(f"[{word}] volts.") for word in (*tens, *hundreds))
    over = language("en").over_limit.spoken[0]
    yield from (whole(f"{over}."), parts(f"Polarity, [{over}]; phasing, [{over}], five ohms."))
    yield from (parts(f"It is [{over}] or more."), parts(f"Was that two volts or [{over}]?"))


def compounds() -> Iterator[Wanted]:
    """Numbers that tens and ones would say too, in one piece."""
    rest = [say_digits_after(str(number)) for number in range(21, 100) if number % 10]
    yield from (parts(f"It is [{word}] volts or more.") for word in rest)
    yield from (parts(f"[{word}] volts.") for word in rest)


def counts() -> Iterator[Wanted]:
    """How often something was, and what was unsafe, at the end of an exercise."""
    yield from (parts(f"To be sure takes [{say_digits_after(str(number))}].") for number in range(2, 21))
    yield from (whole(f"{slip.unsafe}.") for slip in lessons().slips.values())
    for name in dict.fromkeys(texts.fault_names()):
        yield parts(f"A meter cannot tell that from [{name}], which it was.")


def gaps() -> Iterator[Wanted]:
    """The words around each gap."""
    for one in texts.with_gaps():
        around = texts.GAP.sub("|", one.text)
        if not re.search("[A-Za-z]", around):
            continue
        filled = [("" if name in WITHOUT else SAMPLE.get(name, NUMBER)) for name in one.gaps]
        pieces = [f"[{part.strip()}]" if re.search("[A-Za-z]", part) else part for part in around.split("|")]
        text = pieces[0]
        for fill, piece in zip(filled, pieces[1:], strict=True):
            text += f" {fill} {piece}"
        yield parts(_bracketed(text))


def _bracketed(text: str) -> str:
    """A mark that opens a bracket belongs to the word before it."""
    return re.sub(r"\s+", " ", re.sub(r"\[([.,:;?!]+)\s*", r"\1 [", text)).replace(" .", ".")


def names() -> Iterator[Wanted]:
    """What stands in the gaps most often: faults, readings, answers, how things stand."""
    for name in dict.fromkeys(texts.probe_names()):
        yield from (whole(f"Test {name} next."), parts(f"Test [{name}] next."))
    for name in dict.fromkeys(texts.fault_names()):
        yield from (whole(f"It is {name}."), parts(f"It is [{name}]."))
    yield from (whole(f"{way}.") for way in texts.answers())
    yield from _chained(_options(), ";")
    yield from _chained(texts.told(), ";")
    yield parts("flame current [at] two volts [and] line to R at two volts [speak for it].")
    for name in dict.fromkeys(texts.fault_names()):
        yield parts(f"It may be [{name}] or no fault.")


def rare_names() -> Iterator[Wanted]:
    """What stands in the other gaps."""
    words = sayings("en")
    looks = [words.lines[one] for one in _seen()]
    for name in (*texts.probe_names(), *looks):
        yield parts(f"[{name}] at two volts speaks for it.")
    for name in (*texts.probe_names(), *looks):
        yield parts(f"First prove [{name}].")
    yield from _chained(texts.titles())
    yield from (parts(f"[{title}:] you said two volts.") for title in texts.titles())
    for name in looks:
        yield parts(f"flame current and [{name}] speak for it.")
    for point in lessons().points.values():
        yield parts(f"Volts from [{point.name}] to [{point.name}].")
    yield from _chained(list(dict.fromkeys(one.phrases[0] for one in phrases().faults.values())), ";")


def _seen() -> list[str]:
    """The lines that say what was seen."""
    return [name for name, text in sayings("en").lines.items() if re.match(r"(a|no|gas) ", text) and "{" not in text]


def _options() -> list[str]:
    from flows.procedure.wording import spoken_lines

    return [ways[0] for ways in spoken_lines("en").options.values()]


def _chained(found: list[str], mark: str = ",") -> Iterator[Wanted]:
    """Each one before a pause and each one at an end: two in a row."""
    found = [one for one in dict.fromkeys(found) if words_of(one)]
    for place, one in enumerate(found):
        yield parts(f"[{one}]{mark} [{found[(place + 1) % len(found)]}].")
