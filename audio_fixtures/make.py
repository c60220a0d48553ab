"""Make the recordings: `python -m audio_fixtures.make`.

The list of what the demonstration's technicians say is brought in line with
assistant/visit/demo/demo.yaml first, so this one command is all that a change there needs.

Every file is spoken by a named voice, levelled, given quiet before and after,
and mixed with noise from a seed that its utterance's id gives, so that the
same lists give the same samples. Files that already hold those samples are
left alone; files that no list names are removed.

Needs: sudo apt-get install espeak-ng flite
"""

from __future__ import annotations

import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import yaml

from assistant.errors import AudioError, MissingLibrary, VoiceError
from assistant.hearing.audio.files import read, write
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.visit.demo.clips import CLIPS, visit_list
from audio_fixtures import demo_lines
from audio_fixtures.listing import HERE, Manifest, Recording, hearing_list, place
from audio_fixtures.rooms import active, level, mix, noise, padded
from audio_fixtures.voices import PROGRAMS, say, voices
from grammar.errors import TwohandsError

SPEECH_DBFS = -28.0
"""Level of active speech; low enough that 5 dB of noise never clips."""
BEFORE, AFTER = 0.3, 0.55
"""Seconds of room before and after speech; the endpointer closes 0.42 s after the last sound."""
STEP = 16
"""Samples are kept to multiples of this: 12 bits, 49 dB under the speech. FLAC then stores 4 bits less of each."""
HEADER = """\
# Every recording here, written by `python -m audio_fixtures.make`; do not edit.
#
# file      under audio_fixtures/, visits/ under assistant/visit/demo/clips/
# licence   of the voice that speaks; the sentences are our own, under the licence of this project
# noise     kind of audio_fixtures/rooms.py; snr_db: active speech over noise, null for none
# seed      of the noise
# scope, means   what is open when it is played and what it says (hearing set, see utterances.yaml)
"""


def seed_of(id: str) -> int:
    """The same for every level of one utterance, so that levels differ in loudness alone."""
    return zlib.crc32(id.encode())


def rendered(recording: Recording) -> np.ndarray:
    """The samples of a recording: int16, 16 kHz, shape (n,). Raises MissingLibrary, VoiceError."""
    spoken = padded(level(_trimmed(say(recording.text, recording.voice, recording.rate)), SPEECH_DBFS), BEFORE, AFTER)
    if recording.noise == "none" or recording.snr_db is None:
        return _coarse(spoken)
    split = next(one.split for one in voices() if one.id == recording.voice)
    background = noise(recording.noise, len(spoken), np.random.default_rng(recording.seed), split)
    return _coarse(mix(spoken, background, recording.snr_db))


def planned() -> Iterator[Recording]:
    """Every recording that the lists ask for, without its length. Raises DataFileError, VoiceError."""
    licences = {one.id: one.licence for one in voices()}

    def licence(voice: str) -> str:
        if voice not in licences:
            raise VoiceError(
                f"No test voice is called '{voice}'.", "Take one of the ids in audio_fixtures/voices.yaml."
            )
        return licences[voice]

    hearing = hearing_list()
    for one in hearing.utterances:
        for snr in (None, *hearing.levels):
            name = "clean" if snr is None else f"{snr:g}db"
            yield Recording(
                file=f"hearing/{one.id}_{name}.flac",
                text=one.text,
                voice=one.voice,
                licence=licence(one.voice),
                seed=seed_of(one.id),
                rate=1.0,
                seconds=0.0,
                noise="none" if snr is None else one.noise,
                snr_db=snr,
                scope=one.scope,
                means=one.means,
            )
    for said in visit_list().utterances:
        yield Recording(
            file=f"visits/{said.id}.flac",
            text=said.text,
            voice=said.voice,
            licence=licence(said.voice),
            seed=seed_of(said.id),
            rate=said.rate,
            seconds=0.0,
            noise=said.noise,
            snr_db=said.snr_db,
        )


def versions(engines: set[str]) -> dict[str, str]:
    """Engine -> the line in which its program names its version. Raises MissingLibrary."""
    found = {}
    for engine in sorted(engines):
        program, packages = PROGRAMS[engine]
        try:
            done = subprocess.run([program, "--version"], capture_output=True, text=True, check=False)
        except FileNotFoundError as error:
            raise MissingLibrary(
                f"The program {program} is not installed.", f"Run: sudo apt-get install {packages}"
            ) from error
        line = next(
            (
                line
                for line in (done.stdout + done.stderr).splitlines()
                if "version" in line or "text-to-speech" in line
            ),
            "",
        )
        found[engine] = line.split("Data at")[0].replace("version:", "").strip()
    return found


def make() -> tuple[int, int]:
    """Bring every file and the manifest in line with the lists; (files, files written)."""
    made: list[Recording] = []
    wrote = 0
    for recording in planned():
        sound = rendered(recording)
        wrote += _put(place(recording.file), sound)
        made.append(recording.model_copy(update={"seconds": round(len(sound) / SAMPLE_RATE, 3)}))
    _remove_others({place(one.file) for one in made})
    engines = {one.engine for one in voices() if one.id in {made_one.voice for made_one in made}}
    result = Manifest(format=1, made_with=versions(engines), recordings=made)
    text = HEADER + yaml.safe_dump(
        result.model_dump(exclude_defaults=True) | {"format": 1}, sort_keys=False, allow_unicode=True, width=1000
    )
    (HERE / "manifest.yaml").write_text(text, encoding="utf-8")
    return len(made), wrote


def _coarse(sound: np.ndarray) -> np.ndarray:
    return (np.rint(sound / STEP) * STEP).astype(np.int16)


def _trimmed(sound: np.ndarray) -> np.ndarray:
    """Without the silence that synthesisers put at both ends; 20 ms are left."""
    loud = np.flatnonzero(active(sound, under_peak_db=45.0))
    if len(loud) == 0:
        raise VoiceError("A voice gave silence.", "Try the sentence with another voice.")
    spare = SAMPLE_RATE // 50
    return sound[max(0, loud[0] - spare) : loud[-1] + 1 + spare]


def _put(path: Path, sound: np.ndarray) -> bool:
    if path.is_file() and np.array_equal(_kept(path), sound):
        return False
    path.parent.mkdir(parents=True, exist_ok=True)
    write(path, sound)
    return True


def _kept(path: Path) -> np.ndarray:
    try:
        return read(path)
    except AudioError:
        return np.zeros(0, np.int16)  # a broken file is made anew


def _remove_others(wanted: set[Path]) -> None:
    for path in [*(HERE / "hearing").rglob("*.flac"), *CLIPS.rglob("*.flac")]:
        if path not in wanted:
            path.unlink()


def main() -> int:
    try:
        demo_lines.write()
        files, wrote = make()
    except TwohandsError as error:
        print(error.text, file=sys.stderr)
        return 1
    size = sum(path.stat().st_size for folder in (HERE, CLIPS) for path in folder.rglob("*.flac"))
    print(f"{files} recordings, {wrote} written, {size / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
