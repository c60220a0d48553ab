"""Vosk's features in PyTorch: 40 mel cepstra of 25 ms frames every 10 ms.

The same steps as Kaldi's `compute-mfcc-feats` with the options that
`export` writes to conf/mfcc.conf (40 bins from 20 to 7,600 Hz, 40 cepstra, no
energy, no dither, whole frames only); a test holds them against
kaldi-native-fbank. A warp moves the filters, as if the speaker's mouth were
longer or shorter.
"""

from __future__ import annotations

import math

import torch

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE

WINDOW = 400
SHIFT = 160
FFT = 512
BINS = 40
LOW, HIGH = 20.0, 7600.0
PREEMPHASIS = 0.97
LIFTER = 22.0
FLOOR = torch.finfo(torch.float32).eps

MFCC_CONF = f"""--use-energy=false
--num-mel-bins={BINS}
--num-ceps={BINS}
--low-freq={LOW:.0f}
--high-freq={HIGH:.0f}
--dither=0
--allow-upsample=true
--allow-downsample=true
"""
"""The file conf/mfcc.conf that asks Vosk for the same features."""


def frames_in(samples: int) -> int:
    """How many whole frames lie in so many samples."""
    return 0 if samples < WINDOW else 1 + (samples - WINDOW) // SHIFT


def _mel(hertz: torch.Tensor | float) -> torch.Tensor:
    return 1127.0 * torch.log1p(torch.as_tensor(hertz, dtype=torch.float64) / 700.0)


def _warped(hertz: torch.Tensor, warp: float) -> torch.Tensor:
    """Frequencies times `warp`, bent above 5.6 kHz so that the topmost stays where it is."""
    top = RATE / 2
    knee = 5600.0 * min(1.0, 1.0 / warp)
    above = warp * knee + (hertz - knee) * (top - warp * knee) / (top - knee)
    return torch.where(hertz <= knee, hertz * warp, above)


def mel_filters(warp: float = 1.0) -> torch.Tensor:
    """Triangles in mel, shape (40, 257). warp: 1.1 hears every sound 10 % higher."""
    low, high = float(_mel(LOW)), float(_mel(HIGH))
    step = (high - low) / (BINS + 1)
    left = low + step * torch.arange(BINS, dtype=torch.float64)[:, None]
    at = _mel(_warped(torch.arange(FFT // 2 + 1, dtype=torch.float64) * RATE / FFT, warp))[None, :]
    weights = torch.minimum((at - left) / step, (left + 2 * step - at) / step).clamp_min(0.0)
    weights[:, FFT // 2] = 0.0  # Kaldi leaves the topmost frequency out
    return weights.float()


def cosines() -> torch.Tensor:
    """Cosine transform with Kaldi's lifter folded in, shape (40 cepstra, 40 bins)."""
    k = torch.arange(BINS, dtype=torch.float64)[:, None]
    n = torch.arange(BINS, dtype=torch.float64)[None, :]
    matrix = math.sqrt(2.0 / BINS) * torch.cos(math.pi / BINS * (n + 0.5) * k)
    matrix[0] = math.sqrt(1.0 / BINS)
    lifter = 1.0 + 0.5 * LIFTER * torch.sin(math.pi * k / LIFTER)
    return (matrix * lifter).float()


class Mfcc(torch.nn.Module):
    """Samples (batch, n) in int16 range -> cepstra (batch, frames, 40).

    warps: the warps that may be asked for; `forward` takes an index for each
    row. masks: (batch, frames, 40) of booleans, bins to be hidden.
    """

    def __init__(self, warps: tuple[float, ...] = (1.0,)) -> None:
        super().__init__()
        ramp = torch.arange(WINDOW, dtype=torch.float64)
        window = (0.5 - 0.5 * torch.cos(2 * math.pi / (WINDOW - 1) * ramp)) ** 0.85
        self.register_buffer("window", window.float(), persistent=False)
        self.register_buffer("filters", torch.stack([mel_filters(warp) for warp in warps]), persistent=False)
        self.register_buffer("cosines", cosines(), persistent=False)

    def log_mel(self, samples: torch.Tensor, warp: torch.Tensor | None = None) -> torch.Tensor:
        """(batch, frames, 40) natural logarithms of the filters' energies."""
        frames = samples.unfold(1, WINDOW, SHIFT)
        frames = frames - frames.mean(dim=2, keepdim=True)
        before = torch.cat([frames[..., :1], frames[..., :-1]], dim=2)
        spectrum = torch.fft.rfft((frames - PREEMPHASIS * before) * self.window, n=FFT)
        power = spectrum.real.square() + spectrum.imag.square()
        filters = self.filters[0] if warp is None else self.filters[warp]
        return torch.matmul(power, filters.transpose(-1, -2)).clamp_min(FLOOR).log()

    def forward(
        self, samples: torch.Tensor, warp: torch.Tensor | None = None, masks: torch.Tensor | None = None
    ) -> torch.Tensor:
        mel = self.log_mel(samples, warp)
        if masks is not None:
            mel = torch.where(masks, mel.mean(dim=1, keepdim=True), mel)
        return mel @ self.cosines.T
