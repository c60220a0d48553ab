"""The words of a model folder, made anew without training: `python -m tests.lab.train.vocabulary FOLDER --words
FILE...`.

The network knows phones, so new words in a procedure need only another search
graph. FOLDER is a model folder that `export` wrote; its graph is replaced, at
the prices that its manifest names. Needs no PyTorch.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import click
import numpy as np

from tests.lab import made_with
from tests.lab.train import sentences
from tests.lab.train.graph import UNKNOWN, Phones, Prices, any_word, search_graph, word_numbers

Lexicon = Mapping[str, Sequence[Sequence[str]]]


def lexicon(common: int, named: Iterable[str] = ()) -> dict[str, list[tuple[str, ...]]]:
    """The language file's words, the trade's, the `common` most used English ones, and `named`; those without
    pronunciation are left out."""
    known = sentences.lexicon()
    words = set(" ".join([*sentences.phrases(), *sentences.units()]).split()) | set(sentences.number_words())
    ranked, likely = sentences.common_words()
    words |= {ranked[i] for i in np.argsort(-likely)[:common]} | set(sentences.trade_words()) | set(named)
    return {word: known[word] for word in sorted(words) if word in known}


def added(there: Lexicon, named: Iterable[str]) -> dict[str, list[tuple[str, ...]]]:
    """The words of a folder and `named`, with their pronunciations; those without one are left out."""
    known = sentences.lexicon()
    return {word: known[word] for word in sorted({*there, *named}) if word in known}


def words_in(files: Iterable[Path]) -> set[str]:
    """Every word in text files, lower case."""
    return {word for file in files for word in re.findall(r"[a-z']+", file.read_text(encoding="utf-8").lower())}


def write_graph(out: Path, words: Lexicon, prices: Prices) -> None:
    """Write the folder graph/ of a model folder."""
    phones = Phones()
    numbers = word_numbers(list(words))
    graph = out / "graph"
    (graph / "phones").mkdir(parents=True, exist_ok=True)
    (graph / "phones" / "word_boundary.int").write_text(phones.boundaries())
    (graph / "phones.txt").write_text(phones.names())
    (graph / "words.txt").write_text(
        "".join(f"{word} {number}\n" for word, number in numbers.items()), encoding="utf-8"
    )
    (graph / "HCLr.fst").write_bytes(search_graph(phones, words, numbers, prices))
    (graph / "Gr.fst").write_bytes(any_word([numbers[UNKNOWN], *(numbers[word] for word in words)]))
    (graph / "disambig_tid.int").write_text(f"{len(phones.chances) + 1}\n")  # Vosk wants one; no arc carries it


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option(
    "--common", type=int, default=300, show_default=True, help="How many of the most used English words to add."
)
@click.option(
    "--words",
    "files",
    type=click.Path(path_type=Path, exists=True),
    multiple=True,
    help="A text file whose words to add.",
)
@click.option("--keep", is_flag=True, help="Keep the words that the folder has, and add only those named.")
@click.option("--word", "single", multiple=True, help="One word to add.")
@click.option("--filler", type=float, help="Another price for each phone of [unk] than the manifest's.")
def main(
    folder: Path, common: int, files: tuple[Path, ...], keep: bool, single: tuple[str, ...], filler: float | None
) -> None:
    """Give the model in FOLDER its words anew."""
    about = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    if filler is not None:
        about["prices"]["filler"] = filler
    named = words_in(files) | set(single)
    words = added(made_with.words_of(folder), named) if keep else lexicon(common, named)
    write_graph(folder, words, Prices(**about["prices"]))
    about["words"] = len(words)
    about.setdefault("made_with", {})["words"] = made_with.words(words, about["prices"])
    about["bytes"] = sum(
        file.stat().st_size for file in folder.rglob("*") if file.is_file() and file.name != "manifest.json"
    )
    (folder / "manifest.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")
    click.echo(f"{folder}: {len(words)} words")


if __name__ == "__main__":
    main()
