"""Move PocketSphinx's acoustic model towards furnace rooms: `python -m tests.lab.measure.hearing_adapt`.

Takes tuning voices only. The words are found in the clean sound; the features
come from the same speech in several rooms, noises and microphones. Voices in
KEPT_BACK are left out, so that thresholds can be set on voices that the moved
model has never met.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from assistant.errors import EngineError
from assistant.hearing.adapt.aligned import Aligner, Cepstra, framed
from assistant.hearing.adapt.moved import Frames, adapt, likelihood, together
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.hearing.engines.acoustic import read_acoustic, wheel_folder
from assistant.hearing.engines.room_model import MOVED, write_moved
from audio_fixtures.rooms import BANDS, NOISES, ROOMS
from grammar.emit import pronunciations
from tests.lab.measure.hearing_cases import Case, cases
from tests.lab.measure.hearing_sound import scene

KEPT_BACK = frozenset({"us-m7", "rp-m7", "nyc-f5", "us-klatt2", "us-andy", "us-linda", "flite-kal", "flite-kal-slow"})
SNRS = (25, 20, 15, 12, 10, 7, 5, 3)
FIRST = 20_000
"""Number of the first case taken, beyond those that thresholds are set on."""
BEFORE, AFTER = 0.5, 0.6
"""Seconds around the speech, so that the model of silence learns the room."""


def frames(count: int, mixes: int) -> Frames:
    """Frames of `count` cases, each in its own place and in `mixes` others."""
    align, cepstra, rng = Aligner(pronunciations("en")), Cepstra(), np.random.default_rng(5)
    found: list[Frames] = []
    for number, case in enumerate(_cases(count)):
        clean = scene(replace(case, snr=60, room="open", band="wide", noise="blower"))
        span = slice(int((clean.starts - BEFORE) * SAMPLE_RATE), int((clean.ends + AFTER) * SAMPLE_RATE))
        try:
            phones, senones = align.align(case.text, clean.sound[span])
        except EngineError:
            continue  # the model cannot follow this voice here; there are others
        for place in (case, *(_elsewhere(case, rng) for _ in range(mixes))):
            found.append(framed(cepstra, scene(place).sound[span], phones, senones))
        if number % 50 == 49:
            print(f"{number + 1} of {count}", flush=True)
    return together(found)


def _cases(count: int) -> Iterator[Case]:
    taken = 0
    for case in cases(20 * count, "tune", FIRST):
        if case.kind != "outside" and case.voice not in KEPT_BACK:
            yield case
            taken += 1
        if taken == count:
            return


def _elsewhere(case: Case, rng: np.random.Generator) -> Case:
    noise, room, band = (str(rng.choice(names)) for names in (NOISES, ROOMS, BANDS))
    return replace(case, noise=noise, snr=int(rng.choice(SNRS)), room=room, band=band)


def main() -> None:
    asked = argparse.ArgumentParser(prog="python -m tests.lab.measure.hearing_adapt", description=__doc__)
    asked.add_argument("--count", type=int, default=500)
    asked.add_argument("--mixes", type=int, default=4)
    asked.add_argument("--out", type=Path, default=MOVED)
    given = asked.parse_args()
    os.nice(10)
    got = frames(given.count, given.mixes)
    old = read_acoustic(wheel_folder())
    new = adapt(old, got)
    print(
        f"{len(got.phones):,} frames; log density of a frame {likelihood(old, got):.2f} before,"
        f" {likelihood(new, got):.2f} after"
    )
    # The engine gets the wheel's own Gaussians besides (`furnace_room_model`): with them, 49 of 120 readings by
    # recorded people were right at 5 to 20 dB; with the moved ones alone 41, with the wheel's alone 39.
    write_moved(new, given.out)
    # late, since it reads what is drawn from here
    from tests.lab.made_with import furnace_room, told_of_moved

    given.out.with_suffix(".yaml").write_text(told_of_moved(furnace_room(), given.out), encoding="utf-8")


if __name__ == "__main__":
    main()
