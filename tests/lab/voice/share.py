"""Which share of the spoken seconds the natural voice speaks, over invented visits.

    python -m tests.lab share --visits 1000

Typed visits to furnaces of the practice simulator, with the dialogue's whole talk; no sound is made. Seconds of the
natural voice are those of its sounds, the others are reckoned from the letters.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import click

from assistant.authoring.length import by_letters
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.speaking.joined import cover
from assistant.speaking.settings import settings
from assistant.speaking.shelf import SHIPPED, open_shelf
from assistant.speaking.words import MARKS, OPEN, words_of
from tests.lab.voice.visits import visit


@click.command()
@click.option("--visits", default=1000, show_default=True)
@click.option(
    "--kept", type=click.Path(path_type=Path), default=None, help="Keep what was said in this file, or take it from it."
)
@click.option("--most", default=20, show_default=True, help="How many sentences without sound are shown.")
def main(visits: int, kept: Path | None, most: int) -> None:
    """Share of spoken seconds, and what is spoken most often by the run-time voice."""
    said: Counter[str] = Counter()
    if kept and kept.is_file():
        stored = json.loads(kept.read_text(encoding="utf-8"))
        said.update(stored["said"])
        visits = stored["visits"]
    else:
        for number in range(visits):
            visit(number, said)
            if kept:
                kept.write_text(json.dumps({"visits": number + 1, "said": said}), encoding="utf-8")
    shelf, data = open_shelf(SHIPPED / "en"), settings()
    natural = other = pieced = 0.0
    without: Counter[str] = Counter()
    for text, count in said.items():
        words = words_of(data.language("en").prepared(text))
        found = cover(words, shelf.keys)
        if found is None:
            other += count * by_letters(text)
            without[text] += count
            continue
        seconds = 0.0
        for _, end, name in found:
            _, first, last = shelf.keys[name]
            seconds += (last - first) / SAMPLE_RATE + (
                data.joints.pauses[words[end - 1]] if words[end - 1] in MARKS else 0
            )
        natural += count * seconds
        if any(OPEN in name for _, _, name in found):
            pieced += count * seconds
    total = natural + other
    click.echo(f"{visits} visits, {sum(said.values())} times something said, {len(said)} different texts.")
    click.echo(
        f"natural: {100 * natural / total:.2f} % of {total / 3600:.1f} hours; {100 * pieced / total:.2f} % pieced."
    )
    for text, count in without.most_common(most):
        click.echo(f"{count:6} {text}")


if __name__ == "__main__":
    main()
