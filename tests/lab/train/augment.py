"""One clean utterance, a thousand situations: tempo, mouth, room, noise, microphone, level.

All on the device, for a whole batch at once. Tempo is changed by resampling,
which also moves pitch and resonances; the warp of the mel filters then sets
the resonances where the drawn speaker has them. So tempo and speaker vary
apart from each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import torch

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE
from tests.lab.train.quieting import quieted
from tests.lab.train.shards import Speech
from tests.lab.train.whisper import whispered

WARPS = tuple(round(0.72 + 0.02 * i, 2) for i in range(35))
TAPS = 8
ROUND = 4800
"""Batches last a multiple of so many samples: few sizes, and sizes that are quick to transform."""


@dataclass(frozen=True)
class Ranges:
    """How far each thing is varied. tempo, mouth: factors. snr_db: speech over noise. peak_db: of full scale.

    hidden: share of the rows with masks. quieted: share from which the room is taken out as the product does.
    whispered: share that is whispered, wholly or in part.
    """

    tempo: tuple[float, float] = (0.82, 1.25)
    mouth: tuple[float, float] = (0.85, 1.2)
    snr_db: tuple[float, float] = (0.0, 32.0)
    clean: float = 0.25
    echo: float = 0.5
    echo_seconds: tuple[float, float] = (0.08, 0.7)
    direct_db: tuple[float, float] = (0.0, 16.0)
    narrow: float = 0.3
    clipped: float = 0.1
    silent: float = 0.04
    peak_db: tuple[float, float] = (-34.0, -0.5)
    hidden: float = 0.5
    quieted: float = 0.5
    whispered: float = 0.08


MILD = Ranges(
    tempo=(0.9, 1.12), mouth=(0.9, 1.12), snr_db=(4.0, 32.0), clean=0.35, echo=0.35, direct_db=(4.0, 16.0), narrow=0.25,
    clipped=0.04, silent=0.03, hidden=0.3, quieted=0.5,
)  # fmt: skip
"""Gentler situations, for a last pass."""


@dataclass(frozen=True, eq=False)
class Batch:
    """samples: float (batch, n) in int16 range. warp: index into WARPS. targets, lengths: padded, see `losses.ctc`."""

    samples: torch.Tensor
    warp: torch.Tensor
    targets: torch.Tensor
    lengths: torch.Tensor


def stretched(
    speech: torch.Tensor,
    start: torch.Tensor,
    length: torch.Tensor,
    pace: torch.Tensor,
    lead: torch.Tensor,
    samples: int,
) -> torch.Tensor:
    """Rows of `samples`: silence of `lead` samples, the utterance at `pace`, silence. Windowed-sinc reading of
    int16."""
    n = torch.arange(samples, device=speech.device)[None] - lead[:, None]
    at = n * pace[:, None]
    inside = (n >= 0) & (at < length[:, None] - 1)
    at = torch.where(inside, at, torch.zeros_like(at))
    whole = at.floor()
    part = at - whole
    out = torch.zeros_like(at)
    cutoff = torch.clamp(1 / pace, max=1.0)[:, None]
    for tap in range(1 - TAPS // 2, TAPS // 2 + 1):
        distance = part - tap
        kernel = cutoff * torch.sinc(cutoff * distance) * torch.cos(math.pi * distance / (TAPS + 2)).square()
        place = torch.minimum((whole + tap).clamp_min(0), length[:, None] - 1)
        # A float32 sum would lose samples in a corpus longer than 17 minutes.
        out += kernel * speech[start[:, None] + place.long()].float()
    return out * inside


def rooms(rows: int, ranges: Ranges, g: torch.Generator, samples: int = 9600) -> torch.Tensor:
    """Impulse responses (rows, samples): the direct sound and a decaying tail, or the direct sound alone."""
    draw = Draw(g)
    t = torch.arange(samples, device=g.device)[None] / RATE
    decay = draw.power((rows, 1), *ranges.echo_seconds)
    tail = torch.randn((rows, samples), generator=g, device=g.device) * torch.exp(-6.9 * t / decay)
    tail = tail * (t > draw.uniform((rows, 1), 0.001, 0.02))
    tail = tail / tail.square().sum(dim=1, keepdim=True).sqrt().clamp_min(1e-9)
    tail = tail * 10 ** (-draw.uniform((rows, 1), *ranges.direct_db) / 20) * draw.chance((rows, 1), ranges.echo)
    tail[:, 0] = 1.0
    return tail


def microphones(rows: int, hertz: torch.Tensor, ranges: Ranges, g: torch.Generator) -> torch.Tensor:
    """Gains (rows, len(hertz)): a bumpy slope between a low and a high corner, some as narrow as a telephone."""
    draw = Draw(g)
    points = draw.uniform((rows, 1, 10), -4.0, 4.0) + draw.uniform((rows, 1, 1), -6, 6) * torch.linspace(
        -1, 1, 10, device=g.device
    )
    place = (torch.log2(hertz.clamp_min(60.0) / 60.0) / math.log2(8000 / 60) * 511).long().clamp(0, 511)
    bumps = torch.nn.functional.interpolate(points, size=512, mode="linear", align_corners=True)[:, 0]
    narrow = draw.chance((rows, 1), ranges.narrow)
    low = torch.where(narrow > 0, draw.uniform((rows, 1), 100, 350), draw.uniform((rows, 1), 10, 120))
    high = torch.where(narrow > 0, draw.uniform((rows, 1), 3000, 4500), draw.uniform((rows, 1), 5500, 9000))
    f = hertz[None].clamp_min(1.0)
    return 10 ** (bumps[:, place] / 20) / (1 + (low / f) ** 4).sqrt() / (1 + (f / high) ** 12).sqrt()


class Draw:
    """Random numbers on the generator's device."""

    def __init__(self, g: torch.Generator) -> None:
        self.g = g

    def uniform(self, shape: tuple[int, ...], low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(shape, generator=self.g, device=self.g.device)

    def power(self, shape: tuple[int, ...], low: float, high: float) -> torch.Tensor:
        return torch.exp(self.uniform(shape, math.log(low), math.log(high)))

    def chance(self, shape: tuple[int, ...], share: float) -> torch.Tensor:
        return (torch.rand(shape, generator=self.g, device=self.g.device) < share).float()


class Situations:
    """Makes batches. speech: samples on the device. noise: (rows, n) of unit power. g: a generator on the device."""

    def __init__(self, speech: Speech, noise: torch.Tensor, g: torch.Generator, ranges: Ranges = Ranges()) -> None:
        self.speech, self.noise, self.g, self.ranges = speech, noise, g, ranges
        self.draw = Draw(g)

    def batch(self, rows: torch.Tensor) -> Batch:
        """rows: indices of utterances, on the device."""
        draw, ranges, count = self.draw, self.ranges, len(rows)
        start, length = self.speech.start[rows], self.speech.length[rows]
        pace = draw.power((count,), *ranges.tempo)
        lead = draw.uniform((count,), 0.05, 0.7) * RATE
        spoken = length / pace
        longest = (lead + spoken).max().item() + RATE * (0.1 + 0.4 * draw.uniform((1,), 0, 1).item())
        samples = math.ceil(longest / ROUND) * ROUND
        sound = stretched(self.speech.samples, start, length, pace, lead.floor(), samples)
        sound = self._some(sound, ranges.whispered, lambda rows: whispered(rows, self.g))
        power = (sound.square().sum(dim=1, keepdim=True) / spoken[:, None]).clamp_min(1.0)
        heard = 1 - draw.chance((count, 1), ranges.silent)
        size = samples + 9600
        hertz = torch.fft.rfftfreq(size, 1 / RATE, device=sound.device)
        echoed = torch.fft.rfft(sound / power.sqrt() * heard, n=size) * torch.fft.rfft(
            rooms(count, ranges, self.g), n=size
        )
        total = echoed + torch.fft.rfft(self._background(count, samples), n=size)
        total = torch.fft.irfft(total * microphones(count, hertz, ranges, self.g), n=size)[:, :samples]
        peak = total.abs().amax(dim=1, keepdim=True).clamp_min(1e-6)
        over = 1 + 2 * draw.uniform((count, 1), 0, 1) * draw.chance((count, 1), ranges.clipped)
        total = (total / peak * over).clamp(-1, 1) * 32767 * 10 ** (draw.uniform((count, 1), *ranges.peak_db) / 20)
        mouth = draw.power((count,), *ranges.mouth)
        warp = ((mouth / pace - WARPS[0]) / (WARPS[1] - WARPS[0])).round().long().clamp(0, len(WARPS) - 1)
        total = self._some(total, ranges.quieted, quieted)
        return self._with_targets(total.round(), warp, rows, heard[:, 0] > 0)

    def _some(self, rows: torch.Tensor, share: float, change: Callable[[torch.Tensor], torch.Tensor]) -> torch.Tensor:
        """A share of the rows, drawn anew, changed; the others as they are."""
        chosen = torch.randperm(len(rows), generator=self.g, device=self.g.device)[: round(share * len(rows))]
        if len(chosen):
            rows = rows.index_copy(0, chosen, change(rows[chosen]))
        return rows

    def _background(self, count: int, samples: int) -> torch.Tensor:
        """One or two noises of the pool for each row, scaled to the drawn distance under speech of unit power."""
        draw = self.draw
        ramp = torch.arange(samples, device=self.noise.device)[None]
        out = torch.zeros((count, samples), device=self.noise.device)
        for strength in (1.0, 0.6):
            which = torch.randint(0, len(self.noise), (count, 1), generator=self.g, device=self.g.device)
            at = torch.randint(0, self.noise.shape[1] - samples, (count, 1), generator=self.g, device=self.g.device)
            used = 1.0 if strength == 1.0 else draw.chance((count, 1), 0.4)
            out += strength * used * self.noise[which, at + ramp]
        snr = torch.where(
            draw.chance((count, 1), self.ranges.clean) > 0,
            draw.uniform((count, 1), 28, 65),
            draw.uniform((count, 1), *self.ranges.snr_db),
        )
        return out * 10 ** (-snr / 20)

    def _with_targets(
        self, samples: torch.Tensor, warp: torch.Tensor, rows: torch.Tensor, heard: torch.Tensor
    ) -> Batch:
        spelled = [
            self.speech.targets[i] if said else [] for i, said in zip(rows.tolist(), heard.tolist(), strict=True)
        ]
        longest = max(1, max(len(one) for one in spelled))
        padded = torch.tensor([one + [1] * (longest - len(one)) for one in spelled])
        lengths = torch.tensor([len(one) for one in spelled])
        return Batch(samples, warp, padded.to(samples.device), lengths)

    def masks(self, rows: int, frames: int, bins: int) -> torch.Tensor:
        """Which mel bins of which frames to hide (SpecAugment, Park et al. 2019): two bands throughout, two stretches
        of all."""
        draw = self.draw
        on = draw.chance((rows, 1, 1), self.ranges.hidden) > 0
        ramp = torch.arange(bins, device=self.g.device)[None, None]
        time = torch.arange(frames, device=self.g.device)[None, :, None]
        hide = torch.zeros((rows, frames, bins), dtype=torch.bool, device=self.g.device)
        for _ in range(2):
            bin_at, time_at = draw.uniform((rows, 1, 1), 0, bins), draw.uniform((rows, 1, 1), 0, frames)
            hide = hide | ((ramp >= bin_at) & (ramp < bin_at + draw.uniform((rows, 1, 1), 0, 6)))
            hide = hide | ((time >= time_at) & (time < time_at + draw.uniform((rows, 1, 1), 0, 8)))
        return hide & on
