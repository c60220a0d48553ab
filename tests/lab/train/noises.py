"""Backgrounds for training, made in bulk on the device from one generator.

Kinds are broad (hisses, hums, whines, ticks, rumbles, voices) with random
spectra and rates, so that the network does not learn one machine's sound. Kept
apart on purpose from `assistant/hearing/rooms.py` and `audio_fixtures/rooms.py`,
whose blower, inducer, valve, compressor, rain and babble are what hearing is
measured in: training must not hear those.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import torch

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE


def _shaped(white: torch.Tensor, gain: torch.Tensor) -> torch.Tensor:
    return torch.fft.irfft(torch.fft.rfft(white) * gain, n=white.shape[-1])


def _hertz(samples: int, device: torch.device) -> torch.Tensor:
    return torch.fft.rfftfreq(samples, 1 / RATE, device=device)


def _unit(sound: torch.Tensor) -> torch.Tensor:
    return sound / sound.square().mean(dim=-1, keepdim=True).sqrt().clamp_min(1e-9)


def _uniform(shape: tuple[int, ...], low: float, high: float, g: torch.Generator) -> torch.Tensor:
    return low + (high - low) * torch.rand(shape, generator=g, device=g.device)


def _sway(rows: int, samples: int, hertz: float, g: torch.Generator) -> torch.Tensor:
    """Slow random loudness, 0.3 to 1.7."""
    points = max(4, int(samples / RATE * hertz))
    slow = torch.rand((rows, 1, points), generator=g, device=g.device)
    return 0.3 + 1.4 * torch.nn.functional.interpolate(slow, size=samples, mode="linear")[:, 0]


def hiss(rows: int, samples: int, g: torch.Generator) -> torch.Tensor:
    """White to brown noise with a random corner: rain, fans, a tap, a burner."""
    f = _hertz(samples, g.device)[None]
    slope = _uniform((rows, 1), 0.0, 2.2, g)
    corner = 10 ** _uniform((rows, 1), 1.7, 3.7, g)
    gain = (1 + (f / corner) ** 2) ** (-slope / 2)
    low_cut = _uniform((rows, 1), 20, 400, g)
    gain = gain * (f > low_cut) * (f < _uniform((rows, 1), 2500, 9000, g))
    white = torch.randn((rows, samples), generator=g, device=g.device)
    return _unit(_shaped(white, gain) * _sway(rows, samples, 1.5, g))


def hum(rows: int, samples: int, g: torch.Generator) -> torch.Tensor:
    """A row of harmonics that wanders a little, with some hiss: motors, transformers, inducers."""
    base = 10 ** _uniform((rows, 1), 1.35, 3.0, g)
    wander = torch.cumsum(0.02 * torch.randn((rows, samples // 800 + 2), generator=g, device=g.device), dim=1)
    pitch = base * (1 + 0.01 * torch.nn.functional.interpolate(wander[:, None], size=samples, mode="linear")[:, 0])
    phase = 2 * math.pi * torch.cumsum(pitch, dim=1) / RATE
    out = torch.zeros((rows, samples), device=g.device)
    fall = _uniform((rows, 1), 0.3, 1.5, g)
    for k in range(1, 13):
        strength = torch.rand((rows, 1), generator=g, device=g.device) * k**-fall * (base * k < 7500)
        out += strength * torch.sin(k * phase + _uniform((rows, 1), 0, 6.28, g))
    return _unit(_unit(out) * _sway(rows, samples, 1.0, g) + _uniform((rows, 1), 0.05, 0.8, g) * hiss(rows, samples, g))


def ticks(rows: int, samples: int, g: torch.Generator) -> torch.Tensor:
    """Short knocks, regular or not, each ringing: valves, relays, pistons, tools."""
    rate = 10 ** _uniform((rows, 1), 0.0, 1.6, g)
    regular = torch.rand((rows, 1), generator=g, device=g.device) < 0.5
    t = torch.arange(samples, device=g.device)[None] / RATE
    beat = torch.diff(
        torch.floor(t * rate + torch.rand((rows, 1), generator=g, device=g.device)),
        dim=1,
        prepend=torch.zeros((rows, 1), device=g.device),
    )
    chance = (torch.rand((rows, samples), generator=g, device=g.device) < rate / RATE).float()
    knocks = torch.where(regular, beat, chance) * _uniform((rows, samples), 0.3, 1.0, g)
    ring_t = torch.arange(2400, device=g.device)[None] / RATE
    body = torch.randn((rows, 2400), generator=g, device=g.device) * 0.5 + torch.sin(
        2 * math.pi * 10 ** _uniform((rows, 1), 2.0, 3.5, g) * ring_t
    )
    body = body * torch.exp(-ring_t * 10 ** _uniform((rows, 1), 1.3, 2.6, g))
    size = samples + 2400
    rung = torch.fft.irfft(torch.fft.rfft(knocks, n=size) * torch.fft.rfft(body, n=size), n=size)[:, :samples]
    return _unit(_unit(rung) + _uniform((rows, 1), 0.02, 0.5, g) * hiss(rows, samples, g))


def voices(rows: int, samples: int, speech: torch.Tensor, g: torch.Generator) -> torch.Tensor:
    """Three to eight stretches of the corpus over each other, backwards half of the time."""
    out = torch.zeros((rows, samples), device=g.device)
    ramp = torch.arange(samples, device=g.device)
    for layer in range(8):
        at = torch.randint(0, max(1, len(speech) - samples), (rows, 1), generator=g, device=g.device)
        piece = _unit(speech[(at + ramp) % len(speech)].float())
        if layer % 2:
            piece = piece.flip(1)
        strength = _uniform((rows, 1), 0.3, 1.0, g)
        if layer >= 3:
            strength = strength * (torch.rand((rows, 1), generator=g, device=g.device) < 0.5)
        out += strength * piece
    return _unit(out)


def talker(rows: int, samples: int, speech: torch.Tensor, g: torch.Generator) -> torch.Tensor:
    """One person who talks to somebody else: a stretch of the corpus, utterance after utterance."""
    ramp = torch.arange(samples, device=g.device)
    at = torch.randint(0, max(1, len(speech) - samples), (rows, 1), generator=g, device=g.device)
    return _unit(speech[(at + ramp) % len(speech)].float())


def recorded(files: Sequence[Path], rows: int, samples: int, g: torch.Generator) -> torch.Tensor:
    """Stretches of real noises, each file alike often, laid on to and fro where it is too short."""
    import soundfile

    out = []
    for row in range(rows):
        sound, _ = soundfile.read(files[row % len(files)], dtype="float32")
        wave = torch.from_numpy(sound).to(g.device)
        while len(wave) < 2 * samples:
            wave = torch.cat([wave, wave.flip(0)])
        at = int(torch.randint(0, len(wave) - samples, (1,), generator=g, device=g.device))
        out.append(_unit(wave[at : at + samples]))
    return torch.stack(out)


def pool(
    speech: torch.Tensor, rows: int, seconds: float, g: torch.Generator, files: Sequence[Path] = ()
) -> torch.Tensor:
    """rows of each kind, shape (5 or 6 x rows, samples), unit power. speech: int16 (n,) on the generator's device.
    files: real noises."""
    samples = int(seconds * RATE)
    kinds = [
        hiss(rows, samples, g),
        hum(rows, samples, g),
        ticks(rows, samples, g),
        voices(rows, samples, speech, g),
        talker(rows, samples, speech, g),
    ]
    if files:
        kinds.append(recorded(files, rows, samples, g))
    return torch.cat(kinds)
