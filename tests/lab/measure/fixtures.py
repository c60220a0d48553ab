"""The recorded hearing set through the real recogniser: right, asked again, wrong and accepted.

    python -m tests.lab.measure.fixtures [--engine pair|pocketsphinx|vosk] [--plain]

"Wrong and accepted" is before the read-back, which is there to catch it.
"""

from __future__ import annotations

import time
from collections import Counter

import click

from assistant.hearing.audio.files import chunks
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.base import ENGINES, Final, Recognizer, some_words
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.weigh.policy import weigh
from assistant.visit.demo.clips import in_its_room
from audio_fixtures.listing import hearing_set, judged, sound
from grammar.answers import Answer, Unclear
from grammar.parse import understand
from grammar.scope import Scope

LEVELS = (None, 20.0, 10.0, 5.0)
OUTCOMES = ("right", "asked again", "wrong and accepted")


def answer_to(engine: Recognizer, recording, scope: Scope, meaning) -> Answer:
    """The first answer that the visit would act on."""
    engine.open(scope)
    events = [event for chunk in chunks(recording) for event in engine.feed(chunk)] + engine.finish()
    finals = [event for event in events if isinstance(event, Final) and some_words(event.heard)]
    return meaning(finals[0].heard, scope) if finals else Unclear("nothing", "")


@click.command()
@click.option("--engine", "wanted", type=click.Choice(ENGINES), help="Instead of what a visit would choose.")
@click.option("--plain", is_flag=True, help="Take the recogniser's best guess, without weighing it.")
def main(wanted: str | None, plain: bool) -> None:
    """Print the table."""
    engine, chosen = recognizer(wanted=wanted or "")
    meaning = understand if plain else weigh
    click.echo(f"{chosen.reason}\n\n| level | {' | '.join(OUTCOMES)} | real-time factor |\n|---|---|---|---|---|")
    for level in LEVELS:
        found: Counter[str] = Counter()
        heard = spent = 0.0
        for one in hearing_set(level):
            recording = in_its_room(sound(one.recording))
            start = time.process_time()
            found[judged(one.recording.means, answer_to(engine, recording, one.scope, meaning))] += 1
            spent += time.process_time() - start
            heard += len(recording) / SAMPLE_RATE
        name = "clean" if level is None else f"{level:g} dB"
        click.echo(f"| {name} | {' | '.join(str(found[outcome]) for outcome in OUTCOMES)} | {spent / heard:.3f} |")
    engine.close()


if __name__ == "__main__":
    main()
