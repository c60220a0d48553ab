"""What ships says what it was made with, and that is what stands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
import yaml

from assistant.hearing.engines.room_model import MOVED
from assistant.hearing.weigh.settings import hearing_settings
from tests.lab import made_with
from tests.lab.made_with import MOVED_WITH, SHIPPED, SHIPPED_WITH_PEOPLE
from tests.lab.train.graph import Prices
from tests.lab.train.vocabulary import write_graph

MANIFEST = json.loads((SHIPPED / "manifest.json").read_text(encoding="utf-8"))
ENGINES = tuple(hearing_settings().engines)


def test_what_ships_was_made_with_what_stands():
    """Where this fails, fit, train or move again (tests/lab/README.md), or say in the file why it differs."""
    written = {f"thresholds of {name}": one.made_with for name, one in hearing_settings().engines.items()}
    stands = {f"thresholds of {name}": made_with.thresholds(name) for name in ENGINES}
    now = made_with.model()
    # a model may be older than its corpus; then it says so, for the very corpus that stands
    since = MANIFEST.get("since", {}).get("trained")
    written["model"], stands["model"] = since or MANIFEST["made_with"]["trained"], now["trained"]
    written["graph"], stands["graph"] = MANIFEST["made_with"]["words"], now["words"]
    people = json.loads((SHIPPED_WITH_PEOPLE / "manifest.json").read_text(encoding="utf-8"))
    written["with people"], stands["with people"] = people["made_with"], made_with.model(SHIPPED_WITH_PEOPLE)
    moved = yaml.safe_load(MOVED_WITH.read_text(encoding="utf-8"))
    written["moved"], stands["moved"] = moved["made_with"], made_with.furnace_room()
    written["moved file"], stands["moved file"] = moved["sha256"], made_with.sha256(MOVED)
    assert written == stands


def test_a_model_that_is_older_than_its_corpus_says_why():
    if "since" in MANIFEST:
        assert MANIFEST["since"]["trained"] != MANIFEST["made_with"]["trained"] and len(MANIFEST["since"]["told"]) > 40


def test_the_graph_that_ships_is_made_of_its_words_and_prices_byte_for_byte(tmp_path):
    write_graph(tmp_path, made_with.words_of(SHIPPED), Prices(**MANIFEST["prices"]))
    made = [file for file in tmp_path.rglob("*") if file.is_file()]
    assert len(made) == 6
    for file in made:
        for folder in (SHIPPED, SHIPPED_WITH_PEOPLE):  # both models look their words up in the same graph
            assert file.read_bytes() == (folder / file.relative_to(tmp_path)).read_bytes(), file.name


@pytest.fixture
def model(tmp_path) -> Path:
    return Path(shutil.copytree(SHIPPED, tmp_path / "model"))


@pytest.mark.parametrize("name", ["am/final.mdl", "conf/model.conf", "conf/mfcc.conf"])
def test_a_changed_byte_of_the_model_is_another_for_its_thresholds(model, name):
    before = {engine: made_with.thresholds(engine, model) for engine in ENGINES}
    assert before == {engine: made_with.thresholds(engine) for engine in ENGINES}
    data = (model / name).read_bytes()
    (model / name).write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    after = {engine: made_with.thresholds(engine, model) for engine in ENGINES}
    assert {engine for engine in ENGINES if before[engine] != after[engine]} == {
        "twohands-two",
        "twohands-en",
        "pair",
    }


def test_an_added_word_is_none_but_another_price_is(model):
    before, words = made_with.thresholds("twohands-en", model), made_with.model(model)["words"]
    with (model / "graph" / "words.txt").open("a", encoding="utf-8") as file:
        file.write("hippopotamus 9999\n")
    assert made_with.thresholds("twohands-en", model) == before
    assert made_with.model(model)["words"] != words
    about = json.loads((model / "manifest.json").read_text(encoding="utf-8"))
    about["prices"]["filler"] += 0.1
    (model / "manifest.json").write_text(json.dumps(about), encoding="utf-8")
    assert made_with.thresholds("twohands-en", model) != before


def test_each_part_of_the_training_counts():
    shape = MANIFEST["trained"]["shape"]
    corpus, voices = made_with.CORPUS.read_text(encoding="utf-8"), made_with.VOICES.read_text(encoding="utf-8")
    plain = made_with.trained(shape, False)
    assert plain == made_with.trained(shape, False, "# another comment\n" + corpus, voices)
    assert plain == made_with.trained(
        shape, False, corpus.replace("extra_words:", "extra_words:\n  zyzzyva: Z IH"), voices
    )
    others = {
        plain,
        made_with.trained({**shape, "width": 640}, False),
        made_with.trained(shape, True),
        made_with.trained(shape, False, corpus.replace("numbers: 0.28", "numbers: 0.29")),
        made_with.trained(shape, False, voices=voices.replace("share: 0.12", "share: 0.13")),
    }
    assert len(others) == 5


def test_another_meaning_of_a_settings_file_counts_and_another_comment_does_not(tmp_path, monkeypatch):
    before = made_with.thresholds("pocketsphinx")
    kept = made_with.SPHINX_SETTINGS.read_text(encoding="utf-8")
    monkeypatch.setattr(made_with, "SPHINX_SETTINGS", tmp_path / "sphinx.yaml")
    (tmp_path / "sphinx.yaml").write_text("# a word more\n" + kept, encoding="utf-8")
    assert made_with.thresholds("pocketsphinx") == before
    (tmp_path / "sphinx.yaml").write_text(kept.replace("lw: 4.0", "lw: 4.5"), encoding="utf-8")
    assert made_with.thresholds("pocketsphinx") != before


def test_everything_with_thresholds_is_known_here():
    with pytest.raises(KeyError):
        made_with.thresholds("whisper")
    assert all(len(one.made_with) == 12 for one in hearing_settings().engines.values())
