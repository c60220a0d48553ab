"""How often an utterance is parsed on its way to an answer, and how long that takes: `python -m tests.lab parses`.

Hears the recorded set at every level with what a visit would choose, then
weighs each utterance. `--heard FILE` keeps what was heard (and reads it where
it is there), so that two states of the weighing get the same; `--answers FILE`
keeps the answers, or says where they differ from those kept.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import numpy as np
from pydantic import TypeAdapter

import grammar.parse
from assistant.hearing.audio.files import chunks
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.weigh.meanings import texts_of
from assistant.hearing.weigh.policy import weigh
from assistant.visit.demo.clips import in_its_room
from audio_fixtures.listing import hearing_set, sound
from grammar.answers import Heard
from grammar.scope import Scope
from tests.lab.measure.fixtures import LEVELS

ROUNDS = 5
"""Times that each utterance is weighed; the quickest counts, for other work runs on the machine too."""
Utterances = list[tuple[Scope, Heard]]
_FILE = TypeAdapter(Utterances)


@contextmanager
def parses_counted() -> Iterator[list[str]]:
    """Inside, every text that the parser is given is noted in the list."""
    given: list[str] = []
    plain = grammar.parse.plain_words

    def noted(text, *how):
        given.append(text)
        return plain(text, *how)

    grammar.parse.plain_words = noted
    try:
        yield given
    finally:
        grammar.parse.plain_words = plain


def heard_in_recordings(wanted: str = "") -> Utterances:
    """What the recogniser makes of the recorded hearing set; utterances in which nothing was heard are left out."""
    engine, _ = recognizer(wanted=wanted)
    found: Utterances = []
    for level in LEVELS:
        for one in hearing_set(level):
            engine.open(one.scope)
            recording = in_its_room(sound(one.recording))
            events = [event for chunk in chunks(recording) for event in engine.feed(chunk)] + engine.finish()
            heard = [event.heard for event in events if isinstance(event, Final)]
            found += [(one.scope, utterance) for utterance in heard if set(texts_of(utterance)) != {""}]
    engine.close()
    return found


@click.command()
@click.option("--engine", default="", help="Instead of what a visit would choose.")
@click.option("--heard", "heard_file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--answers", "answers_file", type=click.Path(path_type=Path, dir_okay=False))
def main(engine: str, heard_file: Path | None, answers_file: Path | None) -> None:
    """Print parses and milliseconds."""
    if heard_file is not None and heard_file.is_file():
        utterances = _FILE.validate_json(heard_file.read_bytes())
    else:
        utterances = heard_in_recordings(engine)
        if heard_file is not None:
            heard_file.write_bytes(_FILE.dump_json(utterances))
    counts, again, spent, answers = [], 0, [], []
    for scope, heard in utterances:
        with parses_counted() as given:
            answers.append(repr(weigh(heard, scope)))
        counts.append(len(given))
        again += len(given) - len(set(given))
        rounds = []
        for _ in range(ROUNDS):
            before = time.perf_counter()
            weigh(heard, scope)
            rounds.append(time.perf_counter() - before)
        spent.append(1000 * min(rounds))
    distinct = [len(set(texts_of(heard))) for _, heard in utterances]
    click.echo(f"{len(utterances)} utterances, {np.mean(distinct):.1f} distinct texts each (at most {max(distinct)})")
    click.echo(
        f"parsed {np.mean(counts):.1f} times each (at most {max(counts)}), {again} times a text that had been parsed"
    )
    click.echo(
        f"weighed in {np.mean(spent):.2f} ms on average, median {np.median(spent):.2f}, longest {max(spent):.2f}"
    )
    if answers_file is None:
        return
    if not answers_file.is_file():
        answers_file.write_text("\n".join(answers) + "\n", encoding="utf-8")
        return
    kept = answers_file.read_text(encoding="utf-8").splitlines()
    differ = [(number, old, new) for number, (old, new) in enumerate(zip(kept, answers, strict=True)) if old != new]
    click.echo(f"{len(answers) - len(differ)} of {len(answers)} answers are those kept")
    for number, old, new in differ:
        click.echo(f"  {number}: {old}\n     now {new}")


if __name__ == "__main__":
    main()
